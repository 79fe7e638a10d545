"""Neighbour entries (who has which hardware address): read, set, removed."""

from __future__ import annotations

import ipaddress
import struct
from typing import List

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel
from orchestrator.onhost.netlink.entries import Neighbour, NeighbourKept

_BODY = struct.Struct("=BxHiHBB")  # ndmsg: family, padding, index, state, flags, type
_DESTINATION, _MAC = 1, 2
_STATES = {
    "incomplete": 0x01,
    "reachable": 0x02,
    "stale": 0x04,
    "delay": 0x08,
    "probe": 0x10,
    "failed": 0x20,
    "noarp": 0x40,
    "permanent": 0x80,
}
_USE, _PROXY, _ROUTER = 0x01, 0x08, 0x80


def neighbours(index: int = 0) -> List[Neighbour]:
    """The entries of every interface, or of one; those that we answer for ("proxy") too."""
    found = []
    with Channel() as channel:
        for flags in (0, _PROXY):
            answers = channel.dump(frames.GET_NEIGHBOUR, _BODY.pack(0, 0, 0, 0, flags, 0))
            found += [_read(answer) for kind, answer in answers if kind == frames.NEW_NEIGHBOUR]
    return [each for each in found if each["family"] and each["address"] and index in (0, each["index"])]


def set_neighbour(index: int, entry: NeighbourKept) -> None:
    """Make an entry as `neighbours` describes it, replacing one that is there; raise NetlinkError."""
    body = _head(index, entry["address"], _STATES[entry["state"]] if entry["state"] else 0, _flags(entry))
    if entry["mac"]:
        body += frames.attribute(_MAC, bytes.fromhex(entry["mac"].replace(":", "")))
    with Channel() as channel:
        channel.change(frames.NEW_NEIGHBOUR, frames.CREATE | frames.REPLACE, body)


def use_neighbour(index: int, address: str) -> None:
    """Have the kernel resolve `address` as if a packet waited for it; a fixed entry stays. Raises NetlinkError."""
    with Channel() as channel:
        channel.change(frames.NEW_NEIGHBOUR, frames.CREATE, _head(index, address, 0, _USE))


def remove_neighbour(index: int, entry: NeighbourKept) -> None:
    """Take an entry away; raise NetlinkError when it is not there."""
    with Channel() as channel:
        channel.change(frames.DELETE_NEIGHBOUR, 0, _head(index, entry["address"], 0, _flags(entry)))


def _flags(entry: NeighbourKept) -> int:
    return (_PROXY if entry["proxy"] else 0) | (_ROUTER if entry["router"] else 0)


def _head(index: int, address: str, state: int, flags: int) -> bytes:
    wanted = ipaddress.ip_address(address)
    body = _BODY.pack(frames.family_number(wanted.version), 0, index, state, flags, 0)
    return body + frames.attribute(_DESTINATION, wanted.packed)


def _read(answer: bytes) -> Neighbour:
    number, _, index, state, flags, _ = _BODY.unpack_from(answer)
    values = frames.attribute_map(answer[_BODY.size :])
    destination = values.get(_DESTINATION, b"")
    return {
        "index": index,
        "family": frames.family_of(number),
        "address": frames.address(destination) if len(destination) in (4, 16) else "",
        "mac": frames.mac(values.get(_MAC, b"")),
        "state": next((name for name, bit in _STATES.items() if state & bit), ""),
        "proxy": bool(flags & _PROXY),
        "router": bool(flags & _ROUTER),
    }
