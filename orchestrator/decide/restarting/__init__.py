"""Hosts that restart, wanted or not."""
