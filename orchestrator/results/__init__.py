"""A run's tables, statistics and comparison; reads a run's folder and never a host."""
