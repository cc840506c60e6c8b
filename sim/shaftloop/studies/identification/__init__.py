"""From logs back to the parameters of a bench."""
