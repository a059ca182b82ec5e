"""What every reader stands on: hints, units, unpacking, progress, and the sampling lattice."""
