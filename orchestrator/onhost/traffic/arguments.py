"""What a traffic job is told, key by key. Rates are payload in bit/s, sizes octets, times seconds."""

from __future__ import annotations

from typing import List, Optional, TypedDict


class _FlowAlways(TypedDict):
    way: str
    transport: str


class FlowArguments(_FlowAlways, total=False):
    """One way of the traffic; the fields of `flows.Flow`."""

    streams: Optional[int]
    intended_load_bit_s: Optional[float]
    datagram_bytes: Optional[int]
    congestion: Optional[str]
    socket_buffer_bytes: Optional[int]
    segment_bytes: Optional[int]
    pacing_bit_s: Optional[float]
    dscp: Optional[int]
    sender_core: Optional[int]
    receiver_core: Optional[int]
    zero_copy: Optional[bool]
    burst_datagrams: Optional[int]
    send_path: Optional[str]
    receive_path: Optional[str]


class _TrafficAlways(TypedDict):
    token: str
    interface: str
    local: str
    peer: str
    family: int
    mtu: int
    ports: List[int]
    flows: List[FlowArguments]


class TrafficArguments(_TrafficAlways, total=False):
    """What one end of the traffic is asked to do."""

    rate_bit_s: Optional[float]
    timeout_s: Optional[float]
    watch_s: Optional[float]
    round_trip: Optional[bool]
