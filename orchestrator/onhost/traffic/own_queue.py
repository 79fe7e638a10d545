"""How much an interface's own queue takes before it drops, so that senders can be made to wait instead.

A datagram that the own queue drops was never on the link. When the sockets' buffers together hold less than the queue,
a send waits for room and nothing is dropped.
"""

from __future__ import annotations

import socket
import sys
from typing import Optional

from orchestrator.onhost import netlink

_LEAST_BUFFER_BYTES = 4608  # two small datagrams: below, the kernel does not go
# What the kernel charges a socket for the smallest datagram: a page fragment of 512 bytes and its own record of 256.
_LEAST_CHARGE_BYTES = 768


def frames_in_queue(interface: str) -> Optional[int]:
    """Frames that the interface's root queue holds, None when that is not counted in frames (or not known)."""
    try:
        index = socket.if_nametoindex(interface)
        roots = [each for each in netlink.qdiscs(index) if each["root"]]
        link = netlink.find_link(interface)
    except OSError:
        return None
    kind = roots[0]["kind"] if roots else "noqueue"
    if kind == "pfifo" and len(roots[0]["options"]) >= 8:  # struct tc_fifo_qopt: one 32-bit limit
        return int.from_bytes(bytes.fromhex(roots[0]["options"][:8]), sys.byteorder)
    if kind in ("pfifo", "pfifo_fast") and link:
        return int(link["transmit_queue_length"] or 0) or None
    return None


def buffer_for(interface: str, streams: int, ordinary_bytes: int) -> Optional[int]:
    """A send buffer for each of `streams` sockets that together do not overrun the queue; None: the ordinary one is."""
    frames = frames_in_queue(interface)
    if frames is None:
        return None
    share = frames * _LEAST_CHARGE_BYTES // streams
    return max(share, _LEAST_BUFFER_BYTES) if share < ordinary_bytes else None
