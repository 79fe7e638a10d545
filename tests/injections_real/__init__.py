"""Errors of ours injected into real runs: in the controller's process, and in the code that is sent to the hosts."""
