"""Suites ended in every way, and every command on what is left: exit codes, sentences and hosts must agree."""
