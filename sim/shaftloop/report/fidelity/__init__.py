"""The reading against the truth: document, terminal, pictures."""
