"""Counts at exact instants: what a busy loop had counted when a mark of the common window went by.

The loop looks at the clock once per call, after it; a mark nearly always falls inside a call. What the call brought is
taken as spread evenly over the time since the call before: at 100 Mb/s and reads of 1.5 KB that is exact to a
microsecond, and with reads of a megabyte it is what keeps the window's edge sharp. How far off that can be is kept as
well: a count never falls, and a link of known rate brings no more than its rate.
"""

from __future__ import annotations

from typing import List, Optional

STEP_NS = 100_000_000  # the series' interval


class Marks:
    """The instants of one window, every 100 ms and at its end, and the cumulative counts read at them."""

    def __init__(self, from_ns: int, to_ns: int, step_ns: int = STEP_NS, most_per_s: Optional[float] = None) -> None:
        """Times in nanoseconds of CLOCK_MONOTONIC; `most_per_s`: the most that a link can bring of what is counted."""
        inner = range(from_ns, max(from_ns + 1, to_ns - step_ns // 2), step_ns)  # no sliver at the end
        self.instants_ns = [*inner, to_ns]
        self.counts: List[float] = []
        self._most_per_ns = None if most_per_s is None else most_per_s / 1e9
        self._begin_error = self._end_error = 0.0
        self.next_ns = self.instants_ns[0]

    def cross(self, before_ns: int, before: float, now_ns: int, now: float) -> None:
        """Take every mark in (before, now]; `before` and `now` are the counts at the two instants."""
        while self.next_ns <= now_ns:
            span_ns = now_ns - before_ns
            share = (self.next_ns - before_ns) / span_ns if span_ns > 0 else 1.0
            count = before + max(0.0, share) * (now - before)
            if not self.counts:
                self._begin_error = self._error(before_ns, before, now_ns, now, count)
            self.counts.append(count)
            if self.complete:
                self._end_error = self._error(before_ns, before, now_ns, now, count)
                self.next_ns = 1 << 62
            else:
                self.next_ns = self.instants_ns[len(self.counts)]

    def _error(self, before_ns: int, before: float, now_ns: int, now: float, count: float) -> float:
        """The most by which the count at the next mark can be off, knowing the counts at two instants around it."""
        lowest, highest = float(before), float(now)
        if self._most_per_ns is not None:
            from_now = now - self._most_per_ns * (now_ns - self.next_ns)
            from_before = before + self._most_per_ns * (self.next_ns - before_ns)
            if from_now <= from_before:  # else the link is faster than it is believed to be
                lowest, highest = max(lowest, min(from_now, count)), min(highest, max(from_before, count))
        return max(count - lowest, highest - count)

    @property
    def edge_error(self) -> float:
        """The most by which the window's count can be off because of what is not known of its two ends."""
        return self._begin_error + self._end_error

    @property
    def begun(self) -> bool:
        """Whether the window's start has gone by."""
        return bool(self.counts)

    @property
    def complete(self) -> bool:
        """Whether the window's end has gone by."""
        return len(self.counts) == len(self.instants_ns)

    @property
    def window_count(self) -> float:
        """What was counted between the window's two ends."""
        return self.counts[-1] - self.counts[0] if self.complete else 0.0

    def series(self) -> List[List[float]]:
        """[seconds from the window's start to the interval's end, count in the interval] each."""
        start = self.instants_ns[0]
        return [[round((at - start) / 1e9, 6), after - before]
                for at, before, after in zip(self.instants_ns[1:], self.counts, self.counts[1:])]
