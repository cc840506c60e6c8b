"""What kernels do at an instant and in a gap; of the engine they know only the order of the tables."""
