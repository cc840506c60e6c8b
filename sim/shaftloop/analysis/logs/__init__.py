"""What logs are worth: gaps, clocks, saturation, and what is left of them."""
