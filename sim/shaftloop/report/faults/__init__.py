"""What the bench stands when something fails: document, terminal, picture."""
