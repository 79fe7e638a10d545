"""What a host of the BSD family runs in place of the modules of the same name in the room above.

`bsd/system/process.py` stands in for `system/process.py` and `bsd/netlink/links.py` for `netlink/links.py`: the start
on the host (bootstrap.py) sees to that, and no other module knows which of the two it has. The names and meanings are
those of the module replaced. Where the system offers nothing like it the answer is None or empty, never zero.

Proven against an emulated BSD host only (tests/bsd): no real one has been reached.
"""
