"""Controllers and filters as sampled blocks of scalars."""
