"""The traffic pair: TCP and UDP, pacing, counting."""
