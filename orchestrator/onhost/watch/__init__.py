"""Samplers of /proc and /sys, and interface counters."""
