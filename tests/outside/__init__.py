"""Somebody else changes a host in the middle of a run: it is noticed, named, and nothing of theirs is lost."""
