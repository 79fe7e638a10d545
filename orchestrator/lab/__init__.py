"""Hosts made of network namespaces, for the demo and the tests."""
