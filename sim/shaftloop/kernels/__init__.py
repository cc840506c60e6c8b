"""Compiled functions: how they are written, compiled once and kept on disk; nothing here knows a bench."""
