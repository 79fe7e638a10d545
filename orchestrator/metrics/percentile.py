"""Percentiles and medians as RFC 2330 s11.3 and RFC 7679 s5 define them: of the sample itself, never between values.

None is an undefined value (a packet that never arrived) and counts as infinitely large.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from typing import Iterable, List, Optional, Sequence


def empirical_share(values: Sequence[Optional[float]], x: float) -> float:
    """F(x): the share of the values that are at most x (RFC 2330 s11.3; the inverse percentile of RFC 7679 s5.4)."""
    ordered = _ordered(values)
    return bisect_right(ordered, x) / len(ordered)


def percentile(values: Sequence[Optional[float]], per_cent: float) -> float:
    """The smallest x with F(x) >= per_cent/100; minus infinity for 0 and infinity where the value is undefined."""
    if not 0 <= per_cent <= 100:
        raise ValueError(f"a percentile is 0 to 100, not {per_cent}")
    return _percentile_of_ordered(_ordered(values), per_cent)


def percentiles(values: Sequence[Optional[float]], wanted: Iterable[float]) -> List[float]:
    """Several percentiles with one sort."""
    ordered = _ordered(values)
    return [_percentile_of_ordered(ordered, per_cent) for per_cent in wanted]


def median(values: Sequence[Optional[float]]) -> float:
    """The middle value, or the mean of the two central ones (RFC 2330 s11.3)."""
    ordered = _ordered(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2


def _percentile_of_ordered(ordered: List[float], per_cent: float) -> float:
    if per_cent == 0:
        return -math.inf
    return ordered[math.ceil(per_cent * len(ordered) / 100) - 1]


def _ordered(values: Sequence[Optional[float]]) -> List[float]:
    if not values:
        raise ValueError("an empty sample has no distribution")
    return sorted(math.inf if value is None else value for value in values)
