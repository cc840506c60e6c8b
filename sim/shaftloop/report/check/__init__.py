"""Checks: document, terminal, pictures."""
