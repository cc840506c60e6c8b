"""The choice of a torque sensor: document, terminal, pictures."""
