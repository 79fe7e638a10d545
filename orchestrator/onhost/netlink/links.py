"""Network interfaces as the kernel describes them, and the few of their properties that we change."""

from __future__ import annotations

import errno
import struct
from typing import Dict, List, Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel, NetlinkError
from orchestrator.onhost.netlink.entries import Link

_BODY = struct.Struct("=BxHiII")  # ifinfomsg: family, hardware type, index, flags, change
_LOOPBACK, _UP = 0x8, 0x1
_OPERATING_STATES = ("unknown", "notpresent", "down", "lowerlayerdown", "testing", "dormant", "up")

# IFLA_ numbers of linux/if_link.h
_MAC, _NAME, _MTU, _PARENT, _QDISC, _MASTER, _QUEUE_LENGTH, _STATE, _INFO = 1, 3, 4, 5, 6, 10, 13, 16, 18
_EXTENDED_MASK = 29
_CARRIER, _CARRIER_CHANGES, _PARENT_ELSEWHERE = 33, 35, 37
_SEGMENTS_MOST, _SEGMENT_BYTES_MOST, _COALESCED_BYTES_MOST = 40, 41, 58
_MTU_LEAST, _MTU_MOST, _PERMANENT_MAC = 50, 51, 54
_INFO_KIND = 1
_SKIP_STATISTICS = 1 << 3


def links() -> List[Link]:
    """Every interface of this network namespace; sizes in bytes, what the kernel does not tell is None."""
    body = _BODY.pack(0, 0, 0, 0, 0) + frames.attribute(_EXTENDED_MASK, frames.pack_u32(_SKIP_STATISTICS))
    with Channel() as channel:
        return [described(answer) for kind, answer in channel.dump(frames.GET_LINK, body) if kind == frames.NEW_LINK]


def find_link(name: str) -> Optional[Link]:
    """The interface called `name`, or None."""
    if not 0 < len(name.encode()) < 16:
        return None
    body = _BODY.pack(0, 0, 0, 0, 0) + frames.attribute(_NAME, name.encode() + b"\0")
    try:
        with Channel() as channel:
            answers = channel.get(frames.GET_LINK, body)
    except NetlinkError as error:
        if error.errno == errno.ENODEV:
            return None
        raise
    return next((described(answer) for kind, answer in answers if kind == frames.NEW_LINK), None)


def set_link(index: int, *, mtu: Optional[int] = None, transmit_queue_length: Optional[int] = None) -> None:
    """Change an interface; raise NetlinkError with the kernel's own reason."""
    body = _BODY.pack(0, 0, index, 0, 0)
    for kind, number in ((_MTU, mtu), (_QUEUE_LENGTH, transmit_queue_length)):
        if number is not None:
            body += frames.attribute(kind, frames.pack_u32(number))
    with Channel() as channel:
        channel.change(frames.NEW_LINK, 0, body)


def described(answer: bytes) -> Link:
    """An interface from the body of the kernel's message about it."""
    _, _, index, flags, _ = _BODY.unpack_from(answer)
    values = frames.attribute_map(answer[_BODY.size :])
    return {
        "index": index,
        "name": frames.text(values.get(_NAME, b"")),
        "up": bool(flags & _UP),
        "loopback": bool(flags & _LOOPBACK),
        "mac": frames.mac(values.get(_MAC, b"")),
        "permanent_mac": frames.mac(values.get(_PERMANENT_MAC, b"")),
        "kind": frames.text(frames.attribute_map(values.get(_INFO, b"")).get(_INFO_KIND, b"")),
        "operstate": _state(values.get(_STATE, b"\0")[0]),
        "carrier": bool(values.get(_CARRIER, b"\0")[0]),
        "qdisc": frames.text(values.get(_QDISC, b"")),
        "master": frames.u32(values[_MASTER]) if _MASTER in values else None,
        # a parent in another namespace has an index that means nothing here
        "parent": frames.u32(values[_PARENT]) if _PARENT in values and _PARENT_ELSEWHERE not in values else None,
        "mtu": _number(values, _MTU) or 0,
        "min_mtu": _number(values, _MTU_LEAST),
        "max_mtu": _number(values, _MTU_MOST),
        "transmit_queue_length": _number(values, _QUEUE_LENGTH),
        "gro_max_size": _number(values, _COALESCED_BYTES_MOST),
        "gso_max_size": _number(values, _SEGMENT_BYTES_MOST),
        "gso_max_segs": _number(values, _SEGMENTS_MOST),
        "carrier_changes": _number(values, _CARRIER_CHANGES),
    }


def _number(values: Dict[int, bytes], kind: int) -> Optional[int]:
    return frames.u32(values[kind]) if kind in values else None


def _state(number: int) -> str:
    return _OPERATING_STATES[number] if number < len(_OPERATING_STATES) else "unknown"
