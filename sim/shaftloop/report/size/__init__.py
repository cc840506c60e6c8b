"""Whether every part stands what is asked of it: document, terminal, picture."""
