"""Templates to a making guide: the order of work and the distances to check."""
