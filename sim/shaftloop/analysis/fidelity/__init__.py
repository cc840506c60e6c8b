"""What the torque reading really tells: from the air gap of the unit to the sensor, and on to the reading."""
