"""How much an interface's own queue takes before it drops, so that senders can be made to wait instead.

A datagram that the own queue drops was never on the link. When the sockets' buffers together hold less than the queue,
a send waits for room and nothing is dropped.
"""

from __future__ import annotations

import socket
import sys
from typing import Optional

from orchestrator.onhost import netlink

_LARGEST_BUFFER_BYTES = 2 * 1024 * 1024
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


def buffer_for(interface: str, streams: int) -> Optional[int]:
    """What each of `streams` sockets may be charged so that together they fill the queue and do not overrun it.

    None where the queue is not counted in frames: then the kernel's ordinary buffer is as good as any. A larger buffer
    than that keeps the line busy while the sending process waits for a core: the ordinary one is 1 ms of a gigabit.
    """
    frames = frames_in_queue(interface)
    if frames is None:
        return None
    return min(max(frames * _LEAST_CHARGE_BYTES // streams, _LEAST_BUFFER_BYTES), _LARGEST_BUFFER_BYTES)
