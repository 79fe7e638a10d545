"""The most goodput that framing and a link's rate allow, and how full a measured rate makes the line.

Goodput ceiling = rate x payload / (MTU + 38), the arithmetic of RFC 6349 s4.1.1 and RFC 5180 App. A.1: untagged
frames, the standard gap, every frame full. Padding of small frames is counted: short payloads cost as much line
time as the least frame.
"""

from __future__ import annotations

from typing import Optional, Tuple

from orchestrator.wire.framing import wire_bytes
from orchestrator.wire.segments import (
    LARGEST_DATAGRAM_BYTES,
    datagram_payload,
    packet_of_segment,
    packets_of_datagram,
    packets_of_segment,
    segment_payload,
)

# RFC 9293 s3.8.6.3 asks for an acknowledgement at least every second full segment. Receivers that coalesce send
# fewer, so what is computed with 2 is the most that acknowledgements take on a path without loss.
SEGMENTS_PER_ACKNOWLEDGEMENT = 2


def goodput_ceiling(
    rate_bit_s: float,
    mtu: int,
    family: int = 4,
    transport: str = "tcp",
    *,
    timestamps: bool = True,
    payload: Optional[int] = None,
    vlan: bool = False,
) -> float:
    """The most payload bits per second in one direction of a link.

    rate_bit_s  the link's rate (MAC data rate), bit/s
    mtu         largest IP packet, bytes
    payload     payload bytes per packet when not what fills the MTU; a larger datagram travels in fragments
    """
    carried, occupied = _payload_and_wire_bytes(
        mtu, family, transport, timestamps=timestamps, payload=payload, vlan=vlan
    )
    return rate_bit_s * carried / occupied


def ip_layer_ceiling(rate_bit_s: float, mtu: int, *, vlan: bool = False) -> float:
    """The most IP-layer bits per second, headers included (the capacity of RFC 9097)."""
    return rate_bit_s * mtu / wire_bytes(mtu, vlan=vlan)


def share_to_payload_rate(
    link_share: float,
    rate_bit_s: float,
    mtu: int,
    family: int = 4,
    *,
    payload: Optional[int] = None,
    vlan: bool = False,
) -> float:
    """The UDP payload rate (bit/s) that offers a share of the link's frame rate: `intended_load: 90%` is 0.9.

    A share above 1 is an overload (RFC 2285 s3.5.4) and allowed.
    """
    if not link_share > 0:
        raise ValueError(f"a share of the link must be above 0, not {link_share}")
    return link_share * goodput_ceiling(rate_bit_s, mtu, family, "udp", payload=payload, vlan=vlan)


def frames_to_payload_rate(frames_s: float, payload_bytes: int) -> float:
    """The payload rate (bit/s) of so many frames per second, one datagram per frame."""
    return frames_s * 8 * payload_bytes


def acknowledgement_share(
    mtu: int,
    family: int = 4,
    *,
    timestamps: bool = True,
    payload: Optional[int] = None,
    vlan: bool = False,
    segments_per_acknowledgement: float = SEGMENTS_PER_ACKNOWLEDGEMENT,
) -> float:
    """Line time of the acknowledgements in one direction, as a share of the line time of the data in the other."""
    _, data = _payload_and_wire_bytes(mtu, family, "tcp", timestamps=timestamps, payload=payload, vlan=vlan)
    bare = wire_bytes(packet_of_segment(0, family, timestamps=timestamps), vlan=vlan)
    return bare / (segments_per_acknowledgement * data)


def both_ways_ceiling(
    rate_bit_s: float,
    mtu: int,
    family: int = 4,
    transport: str = "tcp",
    *,
    timestamps: bool = True,
    payload: Optional[int] = None,
    vlan: bool = False,
    segments_per_acknowledgement: float = SEGMENTS_PER_ACKNOWLEDGEMENT,
) -> float:
    """The most goodput (bit/s) in each direction when both are filled alike.

    With TCP each direction also carries the acknowledgements of the other; the figure is for the most
    acknowledgements (see above), so a coalescing receiver may end between this and `goodput_ceiling`.
    """
    one_way = goodput_ceiling(rate_bit_s, mtu, family, transport, timestamps=timestamps, payload=payload, vlan=vlan)
    if transport == "udp":
        return one_way
    share = acknowledgement_share(
        mtu,
        family,
        timestamps=timestamps,
        payload=payload,
        vlan=vlan,
        segments_per_acknowledgement=segments_per_acknowledgement,
    )
    return one_way / (1 + share)


def wire_occupancy(
    goodput_bit_s: float,
    rate_bit_s: float,
    mtu: int,
    family: int = 4,
    transport: str = "tcp",
    *,
    timestamps: bool = True,
    payload: Optional[int] = None,
    vlan: bool = False,
    opposite_goodput_bit_s: float = 0.0,
    segments_per_acknowledgement: float = SEGMENTS_PER_ACKNOWLEDGEMENT,
) -> float:
    """The share of a direction's line time that is used: its own data, and acknowledgements of the opposite TCP data.

    Above 1 (beyond the clock tolerance) means that the rate, the frame size or the count is not what was said.
    """
    ceiling = goodput_ceiling(rate_bit_s, mtu, family, transport, timestamps=timestamps, payload=payload, vlan=vlan)
    used = goodput_bit_s / ceiling
    if transport == "tcp" and opposite_goodput_bit_s:
        share = acknowledgement_share(
            mtu,
            family,
            timestamps=timestamps,
            payload=payload,
            vlan=vlan,
            segments_per_acknowledgement=segments_per_acknowledgement,
        )
        used += opposite_goodput_bit_s / ceiling * share
    return used


def _payload_and_wire_bytes(
    mtu: int, family: int, transport: str, *, timestamps: bool, payload: Optional[int], vlan: bool
) -> Tuple[int, int]:
    """Payload of one packet and the bytes for which it occupies the line, or its fragments do: of a datagram."""
    if transport == "udp":
        what, most = "datagram", LARGEST_DATAGRAM_BYTES
        carried = datagram_payload(mtu, family) if payload is None else payload
        packets = packets_of_datagram(carried, mtu, family)
    elif transport == "tcp":
        what, most = "packet", segment_payload(mtu, family, timestamps=timestamps)
        carried = most if payload is None else payload
        packets = packets_of_segment(carried, mtu, family, timestamps=timestamps)
    else:
        raise ValueError(f"no transport {transport!r}: tcp or udp")
    if not 0 < carried <= most:
        raise ValueError(f"a payload of {carried} bytes does not go into one {what} of MTU {mtu}: 1 to {most}")
    return carried, sum(wire_bytes(packet, vlan=vlan) for packet in packets)
