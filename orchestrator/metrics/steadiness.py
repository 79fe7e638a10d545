"""How steady a rate was over a window: empty stretches, thirds and levels, kept in bounded memory however long it is.

A day of intervals of 100 ms is 864,000 of them; what is kept of them here is a few thousand numbers at most, and what
`summary` tells is a few hundred. Up to 1,000 intervals everything is exact. Beyond, empty stretches of more than 255
intervals are told apart to an eighth of their length, and levels to 1 %; counts, sums and thirds stay exact.
"""

from __future__ import annotations

import math
from typing import Dict, List, Optional, Tuple, TypedDict

EXACT_INTERVALS = 1000
EXACT_STRETCH = 255  # intervals; longer stretches share a bin with those up to an eighth longer
_STRETCH_STEPS = 8  # bins for each doubling of the length
_RATE_STEP = math.log(1.01)
_LEAST_OF_A_THIRD = 5  # intervals; fewer show their own scatter
_LEAST_OF_LEVELS = 20


class Third(TypedDict):
    """Intervals of one third of the window: how many, their mean, and their standard deviation (n - 1), octets."""

    intervals: int
    mean: float
    deviation: float


class Stretches(TypedDict):
    """Empty stretches of one length (or, beyond 255 intervals, of about one): how many, in all, the longest."""

    stretches: int
    intervals: int
    longest: int


class Summary(TypedDict):
    """What a window's series shows. `levels` are the means of two levels that the rate kept to; octets an interval."""

    interval_s: float
    intervals: int
    octets: float
    empty: List[Stretches]
    early: Optional[Third]
    late: Optional[Third]
    levels: Optional[List[float]]


class _Sum:
    """Count, sum and sum of squares: exact for whole numbers, whatever their size."""

    def __init__(self) -> None:
        self.count = 0
        self.total: float = 0
        self.squares: float = 0

    def add(self, value: float) -> None:
        self.count += 1
        self.total += value
        self.squares += value * value

    @property
    def mean(self) -> float:
        return self.total / self.count

    @property
    def scatter(self) -> float:
        """Sum of the squared distances from the mean; multiplied out first, so that whole numbers lose nothing."""
        return max(0.0, (self.count * self.squares - self.total * self.total) / self.count)

    def third(self) -> Optional[Third]:
        if self.count < _LEAST_OF_A_THIRD:
            return None
        return {
            "intervals": self.count,
            "mean": self.mean,
            "deviation": math.sqrt(self.scatter / max(self.count - 1, 1)),
        }


class Steadiness:
    """Takes a window's intervals in their order; `summary` may be asked for at any time."""

    def __init__(self, intervals: int, interval_s: float) -> None:
        """How many intervals the whole window has, and how long one is, s."""
        self._interval_s = interval_s
        third = intervals // 3
        self._early_until, self._late_from = third, intervals - third
        self._early, self._late, self._all = _Sum(), _Sum(), _Sum()
        self._empty: Dict[int, Stretches] = {}
        self._stretch = 0
        self._next = 0
        self._levels = Levels()

    def take(self, place: int, octets: float) -> None:
        """The interval at this place (from 0). One that is left out ends an empty stretch."""
        if place != self._next:
            self._end_stretch()
        self._next = place + 1
        self._all.add(octets)
        if place < self._early_until:
            self._early.add(octets)
        if place >= self._late_from:
            self._late.add(octets)
        if octets:
            self._end_stretch()
        else:
            self._stretch += 1
        self._levels.take(octets)

    def _end_stretch(self) -> None:
        if self._stretch:
            _put_stretch(self._empty, self._stretch)
            self._stretch = 0

    def summary(self) -> Summary:
        """All that is known of the window so far."""
        empty = {key: Stretches(**bin_) for key, bin_ in self._empty.items()}
        if self._stretch:
            _put_stretch(empty, self._stretch)
        levels = self._levels.found()
        return {
            "interval_s": self._interval_s,
            "intervals": self._all.count,
            "octets": self._all.total,
            "empty": [empty[key] for key in sorted(empty)],
            "early": self._early.third(),
            "late": self._late.third(),
            "levels": None if levels is None else list(levels),
        }


def _put_stretch(bins: Dict[int, Stretches], length: int) -> None:
    key = length if length <= EXACT_STRETCH else EXACT_STRETCH + int(_STRETCH_STEPS * math.log2(length / EXACT_STRETCH))
    bin_ = bins.setdefault(key, {"stretches": 0, "intervals": 0, "longest": 0})
    bin_["stretches"] += 1
    bin_["intervals"] += length
    bin_["longest"] = max(bin_["longest"], length)


class Levels:
    """Whether a rate keeps to two levels, each for at least a fifth of the time.

    The split that explains most of the variance must explain nearly all of it, the levels must lie a fifth apart, and
    the rate must stay on a level: a series that alternates by chance is noise. The first 1,000 intervals are kept as
    they are; with more, counts by size (1 % wide) take their place, and counts of how often neighbours lay on either
    side of a size.
    """

    def __init__(self) -> None:
        self._kept: Optional[List[float]] = []
        self._all = _Sum()
        self._counts: Dict[int, List[float]] = {}  # size -> [how many, their sum]
        self._rises: Dict[int, int] = {}  # size -> crossings that begin above it less those that end there
        self._last: Optional[int] = None

    def take(self, octets: float) -> None:
        """The next interval."""
        self._all.add(octets)
        if self._kept is None:
            self._count(octets)
            return
        self._kept.append(octets)
        if len(self._kept) > EXACT_INTERVALS:
            kept, self._kept = self._kept, None
            for each in kept:
                self._count(each)

    def _count(self, octets: float) -> None:
        size = _size(octets)
        bin_ = self._counts.setdefault(size, [0, 0])
        bin_[0] += 1
        bin_[1] += octets
        if self._last is not None and self._last != size:
            low, high = min(self._last, size), max(self._last, size)
            self._rises[low] = self._rises.get(low, 0) + 1
            self._rises[high] = self._rises.get(high, 0) - 1
        self._last = size

    def found(self) -> Optional[Tuple[float, float]]:
        """(low mean, high mean), or None when there are no two levels."""
        count = self._all.count
        if count < _LEAST_OF_LEVELS:
            return None
        groups = (
            [(1, value) for value in sorted(self._kept)]
            if self._kept is not None
            else [(int(bin_[0]), bin_[1]) for _, bin_ in sorted(self._counts.items())]
        )
        split = _best_split(groups, count, self._all.total)
        if split is None:
            return None
        explained, low, high = split
        variance = self._all.scatter
        if not variance or explained < 0.9 * variance or high - low < 0.2 * high:
            return None
        return (low, high) if 2 <= self._changes((low + high) / 2) <= count // 4 else None

    def _changes(self, middle: float) -> int:
        """How often the rate went from one side of `middle` to the other."""
        if self._kept is not None:
            above = [value > middle for value in self._kept]
            return sum(now != before for before, now in zip(above, above[1:]))
        size = _size(middle)
        return sum(rises for low, rises in self._rises.items() if low <= size)


def _size(octets: float) -> int:
    """The number of a bin that is 1 % wide; 0 for nothing."""
    return 1 + int(math.log(octets) / _RATE_STEP) if octets >= 1 else 0


def _best_split(groups: List[Tuple[int, float]], count: int, total: float) -> Optional[Tuple[float, float, float]]:
    """(variance explained times the count, mean below, mean above) of the best split with a fifth on either side.

    `groups` are (how many, their sum) in rising order.
    """
    best: Optional[Tuple[float, float, float]] = None
    below = 0
    below_total: float = 0
    for many, their_sum in groups:
        below += many
        below_total += their_sum
        if not count // 5 <= below <= count - count // 5:
            continue
        low, high = below_total / below, (total - below_total) / (count - below)
        explained = below * (count - below) / count * (high - low) ** 2
        if best is None or explained > best[0]:
            best = (explained, low, high)
    return best
