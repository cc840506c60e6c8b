"""Tuning: document, terminal, pictures."""
