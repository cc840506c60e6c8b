"""What-if studies: one question asked of many benches."""
