"""The modes of the line: document, terminal, pictures."""
