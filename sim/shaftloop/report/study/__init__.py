"""Studies: document, terminal, pictures."""
