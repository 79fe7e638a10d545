"""Stands in for `settings` of the room above on hosts of the BSD family, module by module."""
