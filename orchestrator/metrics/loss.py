"""One-way packet loss (RFC 7680) and the frame loss rate of RFC 2544 s26.3."""

from __future__ import annotations

from typing import Iterable, Optional


def loss_ratio(sent: int, received: int) -> Optional[float]:
    """Lost / sent, where `received` counts each datagram once; None when nothing was sent (an undefined sample).

    ValueError when more were received than sent: duplicates were counted, or the two counts are of other windows.
    """
    if sent < 0 or received < 0:
        raise ValueError(f"counts cannot be negative: {sent} sent, {received} received")
    if received > sent:
        raise ValueError(f"{received} received of {sent} sent: duplicates must be counted once")
    if sent == 0:
        return None
    return (sent - received) / sent


def loss_ratio_of_singletons(losses: Iterable[int]) -> Optional[float]:
    """RFC 7680 s4.1: the mean of the singletons, each 0 (arrived) or 1 (lost); None for an empty sample."""
    total = lost = 0
    for flag in losses:
        if flag not in {0, 1}:
            raise ValueError(f"a loss is 0 or 1, not {flag}")
        total += 1
        lost += flag
    return lost / total if total else None
