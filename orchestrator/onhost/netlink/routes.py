"""Routes: read so that they can be restored exactly, asked for one peer, and rid of what was learned about it."""

from __future__ import annotations

import errno
import ipaddress
import struct
from typing import Dict, List, Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel, NetlinkError
from orchestrator.onhost.netlink.entries import Route, RouteKept

# rtmsg: family, destination and source length, tos, table, protocol, scope, type, flags
_BODY = struct.Struct("=BBBBBBBBI")
_DESTINATION, _OUT, _GATEWAY, _PRIORITY, _PREFERRED_SOURCE, _METRICS, _MULTIPATH = 1, 4, 5, 6, 7, 8, 9
_CACHE_INFO, _TABLE, _VIA, _EXPIRES = 12, 15, 18, 23
_CACHE = struct.Struct("=IIiIIIII")  # rta_cacheinfo; the third is the time left in clock ticks
_NEXT_HOP = struct.Struct("=HBBi")  # rtnexthop: length, flags, hops, index
_CLONED = 0x200  # RTM_F_CLONED: an entry that the kernel learned
_FLAGS_TO_REPEAT = 0x6  # on-link and pervasive; the others are states, which the kernel refuses to be told
_TICKS_PER_S = 100  # USER_HZ
_METRIC_NAMES = {
    1: "lock",
    2: "mtu",
    3: "window",
    4: "rtt",
    5: "rttvar",
    6: "ssthresh",
    7: "cwnd",
    8: "advmss",
    9: "reordering",
    10: "hoplimit",
    11: "initcwnd",
    12: "features",
    13: "rto_min",
    14: "initrwnd",
    15: "quickack",
}
_TYPES = {
    1: "unicast",
    2: "local",
    3: "broadcast",
    4: "anycast",
    5: "multicast",
    6: "blackhole",
    7: "unreachable",
    8: "prohibit",
    9: "throw",
}
_PROTOCOLS = {0: "unspec", 1: "redirect", 2: "kernel", 3: "boot", 4: "static", 9: "ra", 16: "dhcp"}
_SCOPES = {0: "global", 200: "site", 253: "link", 254: "host", 255: "nowhere"}
_MAIN_TABLE = 254
_LOCAL_TABLE = 255


def routes(family: int = 0) -> List[Route]:
    """Every route of this namespace (family 4, 6 or 0 for both); `raw` is what `add_route` needs, as hex digits."""
    found = []
    with Channel() as channel:
        for each in (family,) if family else (4, 6):
            body = _BODY.pack(frames.family_number(each), 0, 0, 0, 0, 0, 0, 0, 0)
            answers = channel.dump(frames.GET_ROUTE, body)
            found += [_read(answer) for kind, answer in answers if kind == frames.NEW_ROUTE]
    return [route for route in found if not route["learned"]]


def add_route(entry: RouteKept, index: Optional[int] = None) -> None:
    """Restore a route as `routes` gave it, for ever; `index` is its interface's number now. Raises NetlinkError."""
    raw = bytes.fromhex(entry["raw"])
    body = bytearray(raw[: _BODY.size])
    for kind, payload in frames.marked_attributes(raw[_BODY.size :]):
        renumbered = kind == _OUT and index is not None
        body += frames.attribute(kind, frames.pack_u32(index or 0) if renumbered else payload)
    with Channel() as channel:
        channel.change(frames.NEW_ROUTE, frames.CREATE, bytes(body))


def delete_route(entry: RouteKept) -> None:
    """Take away exactly this route; raise NetlinkError when it is not there."""
    with Channel() as channel:
        channel.change(frames.DELETE_ROUTE, 0, bytes.fromhex(entry["raw"]))


def route_to(peer: str, index: Optional[int] = None, source: str = "") -> Route:
    """The route that a datagram to `peer` would take, by interface `index` when given; raise NetlinkError."""
    body = _request(peer, index, 0)
    if source:
        body += frames.attribute(_PREFERRED_SOURCE, ipaddress.ip_address(source).packed)
    with Channel() as channel:
        answers = channel.get(frames.GET_ROUTE, body)
    found = [_read(answer) for kind, answer in answers if kind == frames.NEW_ROUTE]
    if not found:
        raise NetlinkError(errno.ENETUNREACH, "the kernel named no route")
    return found[0]


def forget_learned(peer: str, index: Optional[int] = None) -> None:
    """Drop what the kernel learned about the IPv6 `peer` (a smaller path MTU, a redirect); nothing learned is fine.

    IPv4 has no request for this: there the whole route cache is flushed by a sysctl.
    """
    try:
        with Channel() as channel:
            channel.change(frames.DELETE_ROUTE, 0, _request(peer, index, _CLONED))
    except NetlinkError as error:
        if error.errno not in (errno.ESRCH, errno.ENOENT):
            raise


def _request(peer: str, index: Optional[int], flags: int) -> bytes:
    address = ipaddress.ip_address(peer)
    number = frames.family_number(address.version)
    body = _BODY.pack(number, address.max_prefixlen, 0, 0, 0, 0, 0, 0, flags)
    body += frames.attribute(_DESTINATION, address.packed)
    if index is not None:
        body += frames.attribute(_OUT, frames.pack_u32(index))
    return body


def _read(answer: bytes) -> Route:
    number, length, source_length, tos, table, protocol, scope, kind, flags = _BODY.unpack_from(answer)
    values = frames.attribute_map(answer[_BODY.size :])
    metrics = {
        name: frames.u32(payload)
        for metric, payload in frames.attributes(values.get(_METRICS, b""))
        for name in (_METRIC_NAMES.get(metric),)
        if name and len(payload) == 4
    }
    ticks_left = _CACHE.unpack(values[_CACHE_INFO][: _CACHE.size])[2] if _CACHE_INFO in values else 0
    kept = b"".join(
        frames.attribute(each, payload)
        for each, payload in frames.marked_attributes(answer[_BODY.size :])
        if each not in (_CACHE_INFO, _EXPIRES)
    )
    head = _BODY.pack(number, length, source_length, tos, table, protocol, scope, kind, flags & _FLAGS_TO_REPEAT)
    destination = f"{frames.address(values[_DESTINATION])}/{length}" if _DESTINATION in values else "default"
    return {
        "family": frames.family_of(number),
        "destination": destination,
        "type": _TYPES.get(kind, str(kind)),
        "table": frames.u32(values[_TABLE]) if _TABLE in values else table,
        "gateway": frames.address(values[_GATEWAY]) if _GATEWAY in values else _via(values.get(_VIA, b"")),
        "index": frames.u32(values[_OUT]) if _OUT in values else None,
        "indexes": _indexes(values),
        "priority": frames.u32(values[_PRIORITY]) if _PRIORITY in values else 0,
        "source": frames.address(values[_PREFERRED_SOURCE]) if _PREFERRED_SOURCE in values else "",
        "protocol": _PROTOCOLS.get(protocol, str(protocol)),
        "scope": _SCOPES.get(scope, str(scope)),
        "metrics": metrics,
        "onlink": bool(flags & 0x4),
        "learned": bool(flags & _CLONED),
        "expires_s": max(ticks_left // _TICKS_PER_S, 1) if ticks_left > 0 else None,
        "raw": (head + kept).hex(),
    }


def _via(payload: bytes) -> str:
    """The gateway of another family (RTA_VIA: a family number, then the address)."""
    return frames.address(payload[2:]) if len(payload) in (6, 18) else ""


def _indexes(values: Dict[int, bytes]) -> List[int]:
    """Every interface that the route leaves by."""
    found = [frames.u32(values[_OUT])] if _OUT in values else []
    hops = values.get(_MULTIPATH, b"")
    at = 0
    while at + _NEXT_HOP.size <= len(hops):
        length, _, _, index = _NEXT_HOP.unpack_from(hops, at)
        if length < _NEXT_HOP.size:
            break
        found.append(index)
        at += (length + 3) & ~3
    return found
