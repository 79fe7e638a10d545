"""Delay variation in its two forms (RFC 3393, RFC 5481). Delays in seconds (or any one unit); None was lost."""

from __future__ import annotations

from typing import List, Optional, Sequence

from orchestrator.metrics.percentile import percentile


def between_packets(delays: Sequence[Optional[float]]) -> List[Optional[float]]:
    """IPDV: D(i) - D(i-1) in sending order (RFC 5481 s4.1); undefined for the first and next to a loss."""
    out: List[Optional[float]] = [None] if delays else []
    for before, now in zip(delays, delays[1:]):
        out.append(None if before is None or now is None else now - before)
    return out


def above_min(delays: Sequence[Optional[float]]) -> List[Optional[float]]:
    """PDV: D(i) - the smallest delay of the sample (RFC 5481 s4.2); needs no synchronised clocks."""
    arrived = [delay for delay in delays if delay is not None]
    if not arrived:
        return [None] * len(delays)
    least = min(arrived)
    return [None if delay is None else delay - least for delay in delays]


def above_min_percentile(delays: Sequence[Optional[float]], per_cent: float) -> Optional[float]:
    """A percentile of PDV over what arrived (losses are told by the loss ratio); None when nothing arrived."""
    arrived = [delay for delay in delays if delay is not None]
    return percentile(arrived, per_cent) - min(arrived) if arrived else None
