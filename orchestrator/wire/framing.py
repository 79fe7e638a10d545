"""What one frame costs on an Ethernet link, in bytes and in frames per second.

    | preamble 7 + delimiter 1 | header 14 | tag 4? | data 46.. | check sequence 4 | gap 12 |
                               |<-------- frame, "frame size" of RFC 1242 ------->|
    |<--------------------------- what the line is occupied for --------------------------->|

Sizes: RFC 6349 s4.1.1, RFC 5180 App. A.1, RFC 2544 s9.1, RFC 894 (least data field 46).
"""

from __future__ import annotations

import math
from typing import Tuple

PREAMBLE_BYTES = 8
HEADER_BYTES = 14
VLAN_TAG_BYTES = 4
CHECK_SEQUENCE_BYTES = 4
GAP_BYTES = 12
LEAST_FRAME_BYTES = 64
# what the line carries around a frame: preamble, delimiter and the least legal gap
AROUND_FRAME_BYTES = PREAMBLE_BYTES + GAP_BYTES
AROUND_FRAME_BITS = 8 * AROUND_FRAME_BYTES
# RFC 5180 App. A.1: an Ethernet clock may be off by this much, so a healthy link may read 1.0001 of its rate
CLOCK_TOLERANCE_PPM = 100


def frame_bytes(packet_bytes: int, *, vlan: bool = False) -> int:
    """Bytes of the frame that carries an IP packet, check sequence included, padded to the least frame.

    A tagged frame is padded to 64 bytes as well: Linux pads to 60 before the check sequence, tag or not.
    """
    if packet_bytes < 0:
        raise ValueError(f"a packet cannot have {packet_bytes} bytes")
    tag = VLAN_TAG_BYTES if vlan else 0
    return max(LEAST_FRAME_BYTES, HEADER_BYTES + tag + packet_bytes + CHECK_SEQUENCE_BYTES)


def wire_bytes(packet_bytes: int, *, vlan: bool = False) -> int:
    """Bytes for which an IP packet occupies the line: its frame, the preamble and the gap (MTU + 38)."""
    return frame_bytes(packet_bytes, vlan=vlan) + AROUND_FRAME_BYTES


def frame_rate(rate_bit_s: float, frame_size_bytes: int, *, around_bits: int = AROUND_FRAME_BITS) -> float:
    """The most frames per second of one size that a link carries; `frame_size_bytes` includes the check sequence.

    `around_bits` is what the medium adds around a frame: 160 on Ethernet, others in RFC 2544 App. B.
    """
    if rate_bit_s <= 0 or frame_size_bytes <= 0:
        raise ValueError(f"no frame rate for {frame_size_bytes} bytes at {rate_bit_s} bit/s")
    return rate_bit_s / (8 * frame_size_bytes + around_bits)


def frame_rate_floor(rate_bit_s: float, frame_size_bytes: int, *, around_bits: int = AROUND_FRAME_BITS) -> int:
    """The same, rounded down as the tables of RFC 2544 App. B and RFC 5180 App. A.1 print it."""
    # A quotient of whole numbers lies at least 1/bits off the next whole number, far more than division rounds.
    return math.floor(frame_rate(rate_bit_s, frame_size_bytes, around_bits=around_bits))


def legal_frame_rates(
    rate_bit_s: float, frame_size_bytes: int, *, tolerance_ppm: float = CLOCK_TOLERANCE_PPM
) -> Tuple[float, float]:
    """The least and greatest frame rate of a link whose clock is within tolerance (RFC 8238 s5.3)."""
    nominal = frame_rate(rate_bit_s, frame_size_bytes)
    off = nominal * tolerance_ppm / 1e6
    return nominal - off, nominal + off
