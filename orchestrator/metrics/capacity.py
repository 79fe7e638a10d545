"""IP-layer capacity (RFC 9097) and the capacity of a path of several links (RFC 5136)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence, Tuple


@dataclass(frozen=True)
class SubInterval:
    """What was received in one sub-interval of a trial (dt, default 1 s)."""

    seconds: float
    ip_bytes: int  # IP headers and all they carry
    loss_ratio: Optional[float] = None
    delay_range_s: Optional[float] = None  # largest minus smallest delay

    @property
    def capacity_bit_s(self) -> float:
        """IP-layer bits received per second."""
        return self.ip_bytes * 8 / self.seconds


def max_capacity_bit_s(
    intervals: Sequence[SubInterval],
    *,
    loss_ratio_limit: Optional[float] = None,
    delay_range_limit_s: Optional[float] = None,
) -> Optional[float]:
    """The greatest capacity among the sub-intervals that meet every criterion (RFC 9097 s5.3).

    None when no sub-interval meets them; ValueError without a criterion: the RFC asks for at least one.
    """
    if loss_ratio_limit is None and delay_range_limit_s is None:
        raise ValueError("RFC 9097 asks for at least one criterion: a loss ratio or a delay range")
    good = [
        interval.capacity_bit_s
        for interval in intervals
        if _within(interval.loss_ratio, loss_ratio_limit) and _within(interval.delay_range_s, delay_range_limit_s)
    ]
    return max(good) if good else None


def path_available_bit_s(links: Sequence[Tuple[float, float]]) -> float:
    """What a path still carries (RFC 5136): each link is (capacity, used) in bit/s, the least rest decides."""
    return min(capacity - used for capacity, used in links)


def narrow_link(capacities_bit_s: Sequence[float]) -> int:
    """The index of the link with the least capacity, which is the path's (RFC 5136)."""
    return min(range(len(capacities_bit_s)), key=lambda index: capacities_bit_s[index])


def tight_link(links: Sequence[Tuple[float, float]]) -> int:
    """The index of the link that has least left, (capacity, used) each; it need not be the narrow one (RFC 5136)."""
    return min(range(len(links)), key=lambda index: links[index][0] - links[index][1])


def _within(value: Optional[float], limit: Optional[float]) -> bool:
    """A criterion that is set is met only by a value that was measured."""
    return limit is None or (value is not None and value <= limit)
