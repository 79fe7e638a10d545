"""What a set of values supports: intervals, effects, and how many replicates are enough."""
