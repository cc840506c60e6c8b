"""shaftloop."""
