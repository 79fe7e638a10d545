"""Ports for the pair over `lo` that no other process of the tests uses: two runs of them at once must not meet.

A name in the abstract namespace of Unix sockets (unix(7)) stands for a block. Such names belong to a network namespace,
as ports do, and go with the process that holds them, however it ends.
"""

from __future__ import annotations

import contextlib
import socket

FIRST, BLOCK, BLOCKS = 21000, 200, 58  # below 32768, from where on kernels choose ports by themselves


def claimed() -> tuple[socket.socket, list[int]]:
    """(what holds the ports while it is open, the ports); RuntimeError when other processes have all blocks."""
    for number in range(BLOCKS):
        with contextlib.ExitStack() as stack:
            held = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
            with contextlib.suppress(OSError):
                held.bind(f"\0linktrial-tests-ports-{number}")
                stack.pop_all()
                return held, list(range(FIRST + number * BLOCK, FIRST + (number + 1) * BLOCK))
    raise RuntimeError("other processes of the tests have all ports")


_held, OWN_PORTS = claimed()
