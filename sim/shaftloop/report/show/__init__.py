"""The bench as it is understood: document, terminal."""
