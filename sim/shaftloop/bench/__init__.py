"""From a description to a bench in the engine's terms."""
