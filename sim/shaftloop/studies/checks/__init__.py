"""Regression checks: expectations of a scenario, a baseline, gains from a file of their own."""
