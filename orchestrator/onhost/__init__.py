"""The host's helper: standard library only, Python 3.8 or newer, sent over SSH and never installed."""
