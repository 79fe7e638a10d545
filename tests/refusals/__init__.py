"""Benches that are broken on purpose, one thing at a time, each with a healthy twin that must not be refused."""
