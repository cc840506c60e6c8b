"""Gains of a loop from an objective and bounds, with the evidence."""
