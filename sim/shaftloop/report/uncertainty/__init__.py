"""Uncertainty: document, terminal, pictures."""
