"""Stands in for `netlink` of the room above on hosts of the BSD family, module by module."""
