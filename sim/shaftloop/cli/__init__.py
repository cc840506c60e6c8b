"""Thin commands."""
