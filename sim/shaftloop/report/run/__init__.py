"""A run: document, terminal, pictures."""
