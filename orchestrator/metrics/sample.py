"""A sample of durations that may be of any size: exact while it is small, in bins of a thousandth beyond.

Percentiles are those of RFC 2330 s11.3 (metrics/percentile.py): of the sample itself, and undefined values (what never
came) count as infinitely large. Least, largest and counts are exact always.
"""

from __future__ import annotations

import math
from typing import Dict, List, Optional

from orchestrator.metrics.percentile import percentile

EXACT = 30_000  # ten minutes of 50 a second; as objects of Python some 2 MB
_STEP = math.log(1.001)
_SMALLEST_S = 1e-9  # what is below shares a bin


class Sample:
    """Durations in seconds."""

    def __init__(self) -> None:
        self.count = 0
        self.min: Optional[float] = None
        self.largest: Optional[float] = None
        self._kept: Optional[List[float]] = []
        self._bins: Dict[int, int] = {}

    def add(self, seconds: float) -> None:
        """One more."""
        self.count += 1
        self.min = seconds if self.min is None else min(self.min, seconds)
        self.largest = seconds if self.largest is None else max(self.largest, seconds)
        if self._kept is None:
            self._put(seconds)
            return
        self._kept.append(seconds)
        if len(self._kept) > EXACT:
            kept, self._kept = self._kept, None
            for each in kept:
                self._put(each)

    def _put(self, seconds: float) -> None:
        bin_ = round(math.log(max(seconds, _SMALLEST_S)) / _STEP)
        self._bins[bin_] = self._bins.get(bin_, 0) + 1

    def percentile(self, per_cent: float, undefined: int = 0) -> float:
        """The smallest value that this share does not exceed, with so many undefined ones; infinite among those."""
        if self._kept is not None:
            return percentile([*self._kept, *[None] * undefined], per_cent)
        rank = math.ceil(per_cent * (self.count + undefined) / 100)
        below = 0
        for bin_, many in sorted(self._bins.items()):
            below += many
            if below >= rank:
                return math.exp(bin_ * _STEP)
        return math.inf
