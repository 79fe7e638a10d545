"""Interarrival jitter, RFC 3550 s6.4.1 and App. A.8.

J starts at 0; for each arrival after the first, in order of arrival, J <- J + (|change of transit| - J)/16, where
transit = arrival time - sending time. J is a running state that forgets in about 16 packets: its last value says
nothing about a trial, so the mean over all arrivals is kept as well.
"""

from __future__ import annotations

from typing import Iterable, List, Optional


class Jitter:
    """Feed it each arrival's transit time (s); the two clocks need not agree, only run at one rate."""

    def __init__(self) -> None:
        self.value = 0.0
        self._last: Optional[float] = None
        self._sum = 0.0
        self._count = 0

    def arrival(self, transit: float) -> None:
        """Take the next arrival into account."""
        if self._last is not None:
            self.value += (abs(transit - self._last) - self.value) / 16
            self._sum += self.value
            self._count += 1
        self._last = transit

    @property
    def mean(self) -> Optional[float]:
        """The mean of J over all arrivals after the first; None with fewer than two arrivals."""
        return self._sum / self._count if self._count else None


def jitter_series(transits: Iterable[float]) -> List[float]:
    """J after each arrival but the first."""
    jitter = Jitter()
    out: List[float] = []
    for position, transit in enumerate(transits):
        jitter.arrival(transit)
        if position:
            out.append(jitter.value)
    return out


def integer_jitter_series(transits: Iterable[int]) -> List[int]:
    """App. A.8 in whole numbers: 16 J is kept, |d| - ((16 J + 8) >> 4) added, and >> 4 reported."""
    out: List[int] = []
    kept = 0
    last: Optional[int] = None
    for transit in transits:
        if last is not None:
            kept += abs(transit - last) - ((kept + 8) >> 4)
            out.append(kept >> 4)
        last = transit
    return out
