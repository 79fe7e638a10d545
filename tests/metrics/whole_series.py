"""The whole-series computation of stalls, trend and levels, as an independent referee of the running sums.

A mean hides all three, so they are said beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

LEAST_EXPECTED_UNITS = 10  # datagrams or segments due in an empty stretch; with fewer, it is chance


@dataclass(frozen=True)
class Stalls:
    """Time without anything received: the longest piece and all of it, seconds."""

    longest_s: float
    total_s: float


def stalls(octets: Sequence[float], interval_s: float, unit_bytes: float) -> Stalls:
    """Empty stretches of a series of received octets; `unit_bytes` is one datagram's or segment's payload.

    A stretch counts where enough was due in it, by the mean of the whole: one interval of a fast link, several of a
    slow one, or of one that stood still for most of the time.
    """
    due = _mean(octets) / unit_bytes if octets else 0.0
    empty = [len(list(stretch)) for received, stretch in groupby(octets, bool) if not received]
    holes = [length for length in empty if length * due >= LEAST_EXPECTED_UNITS]
    return Stalls(max(holes, default=0) * interval_s, sum(holes) * interval_s)


def trend(octets: Sequence[float]) -> tuple[float, float] | None:
    """(first third's mean, last third's mean) when they differ by more than the series' own scatter explains."""
    third = len(octets) // 3
    if third < 5:
        return None
    early, late = octets[:third], octets[-third:]
    first, last = _mean(early), _mean(late)
    scatter = max(_deviation(early, first), _deviation(late, last))
    step = abs(last - first)
    if max(first, last) and step > 0.1 * max(first, last) and step > 3 * scatter:
        return first, last
    return None


def two_levels(octets: Sequence[float]) -> tuple[float, float] | None:
    """(low mean, high mean) when the series keeps to two levels, each for at least a fifth of the time.

    The split that explains most of the variance must explain nearly all of it, the levels must lie a fifth apart, and
    the rate must stay on a level: a series that alternates by chance is noise.
    """
    ordered = sorted(octets)
    count = len(ordered)
    if count < 20:
        return None
    best = max(range(count // 5, count - count // 5 + 1), key=lambda place: _between(ordered, place))
    low, high = _mean(ordered[:best]), _mean(ordered[best:])
    whole = _mean(ordered)
    variance = sum((value - whole) ** 2 for value in ordered)
    if not variance or _between(ordered, best) < 0.9 * variance or high - low < 0.2 * high:
        return None
    middle = (low + high) / 2
    above = [value > middle for value in octets]
    changes = sum(now != before for before, now in pairwise(above))
    return (low, high) if 2 <= changes <= count // 4 else None


def _between(ordered: Sequence[float], place: int) -> float:
    """The variance that splitting at `place` explains (times the count)."""
    low, high = ordered[:place], ordered[place:]
    return len(low) * len(high) / len(ordered) * (_mean(high) - _mean(low)) ** 2


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _deviation(values: Sequence[float], mean: float) -> float:
    return math.sqrt(sum((value - mean) ** 2 for value in values) / max(len(values) - 1, 1))
