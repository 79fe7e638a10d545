"""Stands in for `image` of the room above on hosts of the BSD family, module by module."""
