"""Stands in for `ethtool` of the room above on hosts of the BSD family, module by module."""
