"""The two halves of a path proof as the hosts tell them, and what an end sees around its interface. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

Counted = Sequence[tuple[int, int]]  # pairs of a frame size and how many of it


class Router(TypedDict, total=False):
    """A router that refused a frame: what its next link carries, and its address."""

    mtu_bytes: int | None
    reported_by: str | None


class Network(TypedDict, total=False):
    """What the network told an end while it sent."""

    routers: Sequence[Router]
    refusals: int
    refused_by: Sequence[str]
    too_long_here: Sequence[int]  # sizes that the end's own interface refused
    dropped_here: int


class PathProofEnd(TypedDict, total=False):
    """One end's half; `role` is probe (asking) or answer."""

    role: str
    mtu: int
    small_received: int
    small_sent: int
    small_behind_full: int
    received: Counted
    acknowledged: Counted
    sent: Counted
    network: Network
    learned_mtu_bytes: int | None
    waited_s: float
    proof_s: float


class Lower(TypedDict, total=False):
    """A lower device of an interface: a bridge's port, a bond's part, the card below a VLAN."""

    name: str
    mtu: int
    above: str
    kind_above: str


class Surroundings(TypedDict, total=False):
    """What stands around an end (onhost/path/surroundings.py)."""

    up: bool
    carrier: bool
    neighbour: str  # the state of the neighbour's entry; "" for none
    gateway: str
    leaves_by: str | None
    filters: list[str] | None
    strict_reverse_path: bool | None
    lower: list[Lower]
