"""Logs of a real bench: how a file is to be read, and reading it."""
