"""The TCP metrics of RFC 6349 and the arithmetic around the bandwidth-delay product. KB there are 1000 bytes."""

from __future__ import annotations

import math
from typing import Optional


def bandwidth_delay_bits(rate_bit_s: float, rtt_s: float) -> float:
    """What is in flight on a full path, in bits (s3.3.1): round-trip time x bottleneck rate."""
    return rate_bit_s * rtt_s


def min_window_bytes(rate_bit_s: float, rtt_s: float) -> float:
    """The smallest receive window and send buffer that can fill the path, in bytes (s3.3.1)."""
    return bandwidth_delay_bits(rate_bit_s, rtt_s) / 8


def window_limited_bit_s(window_bytes: float, rtt_s: float, ceiling_bit_s: float = math.inf) -> float:
    """The rate a window allows: one window per round trip, never above the link's ceiling (s3.3.1)."""
    if rtt_s <= 0:
        return ceiling_bit_s
    return min(window_bytes * 8 / rtt_s, ceiling_bit_s)


def ideal_time_s(payload_bytes: float, ceiling_bit_s: float) -> float:
    """The transfer time at the link's highest TCP rate (s4.1)."""
    return payload_bytes * 8 / ceiling_bit_s


def transfer_time_ratio(actual_s: float, ideal_s: float) -> float:
    """Actual / ideal transfer time (s4.1); 1 is perfect."""
    return actual_s / ideal_s


def efficiency_ratio(sent: int, retransmitted: int) -> Optional[float]:
    """(sent - retransmitted) / sent, where `sent` includes what was sent again (s4.2); bytes or segments.

    None when nothing was sent.
    """
    if not 0 <= retransmitted <= sent:
        raise ValueError(f"{retransmitted} retransmitted of {sent} sent")
    return (sent - retransmitted) / sent if sent else None


def buffer_delay_ratio(mean_rtt_s: float, baseline_rtt_s: float) -> float:
    """(mean RTT during the transfer - baseline RTT) / baseline RTT (s4.3)."""
    if baseline_rtt_s <= 0:
        raise ValueError(f"a baseline round trip of {baseline_rtt_s} s compares with nothing")
    return (mean_rtt_s - baseline_rtt_s) / baseline_rtt_s


def connections_needed(rate_bit_s: float, rtt_s: float, window_bytes: float) -> int:
    """How many connections of one window fill the path (s5.1): the bandwidth-delay product / window, rounded up."""
    # 312.5 KB / 62.5 KB must be 5, not 6 because of the last bit
    return max(1, math.ceil(round(min_window_bytes(rate_bit_s, rtt_s) / window_bytes, 9)))


def sequence_wrap_s(rate_bit_s: float) -> float:
    """Seconds until half the sequence space is used, 2^31 bytes (RFC 1323 s1.2): old segments may then be taken."""
    return 2**31 / (rate_bit_s / 8)


def window_shortfall(
    rate_bit_s: float, rtt_s: float, window_bytes: float, *, which: str = "window", connections: int = 1
) -> str:
    """A sentence when a window or buffer is smaller than the path needs; empty when it suffices.

    `window_bytes` is one connection's; several fill a path together (s5.1).
    """
    needed, together = min_window_bytes(rate_bit_s, rtt_s), window_bytes * connections
    if together >= needed:
        return ""
    what, who = (
        (f"the {which}", "one connection") if connections == 1 else (f"the {connections} {which}s together", "they")
    )
    verb = "is" if connections == 1 else "are"
    return (
        f"{what} of {together / 1000:.1f} kB {verb} smaller than the {needed / 1000:.1f} kB that "
        f"{rate_bit_s / 1e6:.4g} Mb/s need at a round trip of {rtt_s * 1000:.4g} ms; "
        f"{who} can carry at most {window_limited_bit_s(together, rtt_s) / 1e6:.4g} Mb/s"
    )
