"""Frames that an interface's own queue dropped, as its queueing discipline counts them.

include/uapi/linux/gen_stats.h: TCA_STATS2 holds TCA_STATS_QUEUE {qlen, backlog, drops, requeues, overlimits}.
"""

from __future__ import annotations

import socket
import struct
from typing import Dict

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel

_BODY = struct.Struct("=BxHiIII")
_STATS2, _QUEUE = 7, 3
_COUNTS = struct.Struct("=5I")
ROOT = 0xFFFFFFFF


def queue_counts(interface: str) -> Dict[str, int]:
    """Drops and overruns of the interface's root queue since it was made; nothing for an interface without one."""
    try:
        index = socket.if_nametoindex(interface)
        with Channel() as channel:
            answers = channel.dump(frames.GET_QDISC, _BODY.pack(0, 0, index, 0, 0, 0))
    except OSError:
        return {}
    for kind, answer in answers:
        if kind != frames.NEW_QDISC:
            continue
        _, _, found, _, parent, _ = _BODY.unpack_from(answer)
        if found == index and parent == ROOT:
            return _counts(answer)
    return {}


def _counts(answer: bytes) -> Dict[str, int]:
    outer = frames.attribute_map(answer[_BODY.size :])
    queue = frames.attribute_map(outer.get(_STATS2, b"")).get(_QUEUE, b"")
    if len(queue) < _COUNTS.size:
        return {}
    _, _, drops, requeues, overlimits = _COUNTS.unpack_from(queue)
    return {"drops": drops, "requeues": requeues, "overlimits": overlimits}
