"""Counts at exact instants: what a busy loop had counted when a mark of the common window went by.

The loop looks at the clock once per call, after it; a mark nearly always falls inside a call. What the call brought is
taken as spread evenly over the time since the call before: at 100 Mb/s and reads of 1.5 KB that is exact to a
microsecond, and with reads of a megabyte it is what keeps the window's edge sharp. How far off that can be is kept as
well: a count never falls, and a link of known rate brings no more than its rate.

Only the intervals that nobody has taken yet are kept: a window may have a day of them.
"""

from __future__ import annotations

from typing import List, Optional, Tuple

from orchestrator.metrics.intervals import STEP_NS, interval_count

_NEVER_NS = 1 << 62


class Marks:
    """The instants of one window, every 100 ms and at its end, and what was counted between them."""

    def __init__(self, from_ns: int, to_ns: int, step_ns: int = STEP_NS, most_per_s: Optional[float] = None) -> None:
        """Times in nanoseconds of CLOCK_MONOTONIC; `most_per_s`: the most that a link can bring of what is counted."""
        self._from_ns, self._to_ns, self._step_ns = from_ns, to_ns, step_ns
        self.intervals = interval_count(to_ns - from_ns, step_ns)
        self.passed = 0  # marks that have gone by: one more than intervals
        self.next_ns = from_ns
        self.fresh: List[float] = []  # counts of the last intervals, those that have not been taken
        self._first = self._last = 0.0
        self._most_per_ns = None if most_per_s is None else most_per_s / 1e9
        self._begin_error = self._end_error = 0.0

    def cross(self, before_ns: int, before: float, now_ns: int, now: float) -> None:
        """Take every mark in (before, now]; `before` and `now` are the counts at the two instants."""
        while self.next_ns <= now_ns:
            span_ns = now_ns - before_ns
            share = (self.next_ns - before_ns) / span_ns if span_ns > 0 else 1.0
            count = before + max(0.0, share) * (now - before)
            if self.begun:
                self.fresh.append(count - self._last)
            else:
                self._first = count
                self._begin_error = self._error(before_ns, before, now_ns, now, count)
            self._last = count
            self.passed += 1
            if self.complete:
                self._end_error = self._error(before_ns, before, now_ns, now, count)
            self.next_ns = self._instant_ns()

    def _instant_ns(self) -> int:
        """When the next mark goes by."""
        if self.complete:
            return _NEVER_NS
        return self._to_ns if self.passed == self.intervals else self._from_ns + self.passed * self._step_ns

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
        return self.passed > 0

    @property
    def complete(self) -> bool:
        """Whether the window's end has gone by."""
        return self.passed > self.intervals

    @property
    def window_count(self) -> float:
        """What was counted between the window's two ends."""
        return self._last - self._first if self.complete else 0.0

    def take(self) -> Tuple[int, List[float]]:
        """(number of the first interval that nobody has taken yet, the counts of it and those after it)."""
        taken, self.fresh = self.fresh, []
        return self.passed - 1 - len(taken), taken
