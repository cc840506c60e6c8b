"""The margins of loops: document, terminal, pictures."""
