"""The way between two hosts: path proof, round trip, wiring, and readiness of an end."""
