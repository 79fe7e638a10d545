"""What the kernel tells of interfaces, addresses, routes, neighbours and queueing disciplines, entry by entry.

What is read has every part. What is handed back to the kernel may lack those that are not required here.
"""

from __future__ import annotations

from typing import Dict, List, Optional, TypedDict


class Link(TypedDict):
    """An interface; sizes in bytes, what the kernel does not tell is None."""

    index: int
    name: str
    up: bool
    loopback: bool
    mac: str
    permanent_mac: str
    kind: str
    operstate: str
    carrier: bool
    qdisc: str
    master: Optional[int]
    parent: Optional[int]  # of this namespace
    mtu: int
    min_mtu: Optional[int]
    max_mtu: Optional[int]
    transmit_queue_length: Optional[int]
    gro_max_size: Optional[int]
    gso_max_size: Optional[int]
    gso_max_segs: Optional[int]
    carrier_changes: Optional[int]


class _AddressAlways(TypedDict):
    address: str
    prefix: int


class AddressEntry(_AddressAlways, total=False):
    """An address as it is asked for; lifetimes in seconds, None for ever; `peer` of a point-to-point link alone."""

    family: int  # 4 or 6
    scope: int
    peer: str
    label: str
    broadcast: str
    flags: List[str]
    preferred_s: Optional[int]
    valid_s: Optional[int]
    priority: int
    protocol: int


class Address(AddressEntry):
    """An address as it was found, with its interface."""

    index: int


class RouteKept(TypedDict):
    """A route without what differs from one reading to the next; `raw` is what brings it back, as hex digits."""

    family: int
    destination: str
    gateway: str
    table: int
    priority: int
    protocol: str
    metrics: Dict[str, int]
    type: str
    onlink: bool
    raw: str


class Route(RouteKept):
    """A route as it was found: `index` is of its interface where it has one, `indexes` are of all that it leaves by."""

    index: Optional[int]
    indexes: List[int]
    source: str
    scope: str
    learned: bool
    expires_s: Optional[int]


class NeighbourKept(TypedDict):
    """Who has which hardware address; `proxy`: we answer for it."""

    family: int
    address: str
    mac: str
    state: str
    proxy: bool
    router: bool


class Neighbour(NeighbourKept):
    """A neighbour as it was found, with the interface."""

    index: int


class _QdiscAlways(TypedDict):
    kind: str
    default: bool  # one that the kernel put there itself


class QdiscKept(_QdiscAlways, total=False):
    """A discipline at the root, of which the kernel's own needs no more than its name; `options` as hex digits."""

    handle: int
    options: str


class Qdisc(QdiscKept):
    """A discipline as it was found."""

    index: int
    parent: int
    root: bool
