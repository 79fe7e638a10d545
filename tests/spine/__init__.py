"""Whole runs through the command line, over real SSH servers, on hosts made for the test."""
