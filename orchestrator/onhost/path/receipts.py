"""What the two ends of a path are given and what they answer, key by key. Sizes are octets of IP packet."""

from __future__ import annotations

from typing import List, Optional, TypedDict


class PeerArguments(TypedDict):
    """A flow between two addresses; `token` is what both ends show each other, in hex."""

    token: str
    interface: str
    local: str
    peer: str
    family: int  # 4 or 6
    port: int


class _Patience(TypedDict, total=False):
    small_first_timeout_s: Optional[float]


class PathArguments(PeerArguments, _Patience):
    """A path proof's."""

    mtu: int


class RouterSaid(TypedDict):
    """A router that has told of a smaller MTU."""

    mtu_bytes: int
    reported_by: str


class NetworkSaid(TypedDict):
    """What the network, or the own kernel, said about frames that were sent."""

    routers: List[RouterSaid]
    refusals: int
    refused_by: List[str]
    too_long_here: List[int]  # sizes that the own interface would not take
    dropped_here: int  # frames that the own queue or interface dropped


class Receipt(TypedDict):
    """What both ends tell: counts of frames by size as [[size, count], ...], and the path MTU learned before, after."""

    role: str
    mtu: int
    small_received: int
    received: List[List[int]]
    sent: List[List[int]]
    learned_mtu_bytes: Optional[int]
    learned_mtu_bytes_after: Optional[int]
    network: NetworkSaid


class AnswerReceipt(Receipt):
    """The answering end's; `finished`: it was told that the proof is over."""

    finished: bool


class ProbeReceipt(Receipt):
    """The asking end's: `asked` is what it wanted back, `acknowledged` only steered the search."""

    waited_s: float
    proof_s: float
    acknowledged: List[List[int]]
    asked: List[List[int]]
    small_sent: int
    small_behind_full: int


class _Seconds(TypedDict, total=False):
    loss_ratio: float
    min_s: Optional[float]
    p50_s: Optional[float]
    p99_s: Optional[float]
    largest_s: Optional[float]


class RoundTrips(_Seconds):
    """Probes of a time and what came of them; a percentile that falls among the lost ones is None."""

    sent: int
    lost: int
    refused: int


class IdleAndLoaded(TypedDict):
    """Round trips before the traffic and in its window."""

    idle: RoundTrips
    load: RoundTrips
