"""How much had arrived by when: instants at which that is known, and the two of them around a mark.

A receiver that had to wait for a core, was stopped, or had used up its control group's share of a period comes late to
a mark. What it then has not read says nothing of when that arrived; the kernel's own counts and receive times do.
"""

from __future__ import annotations

import bisect
from typing import NamedTuple, Tuple


class Known(NamedTuple):
    """By `at_ns` of CLOCK_MONOTONIC so much had arrived in all."""

    at_ns: int
    total: int


class ArrivalCurve:
    """The known instants since the last mark, in order of time."""

    def __init__(self, begun_ns: int) -> None:
        """Nothing had arrived by `begun_ns`."""
        self._known = [Known(begun_ns, 0)]

    def add(self, at_ns: int, total: int) -> None:
        """One more instant; in any order."""
        bisect.insort(self._known, Known(at_ns, total))

    def around(self, mark_ns: int) -> Tuple[Known, Known]:
        """The last instant at or before a mark and the first one at or after it.

        Counts never fall: where two sources differ by what was on its way between them, the larger one stands from
        then on. IndexError when no instant at or after the mark is known.
        """
        place = bisect.bisect_left(self._known, Known(mark_ns, -1))
        behind = self._known[place]
        before = self._known[max(0, place - 1)]
        if before.total > behind.total:
            behind = Known(behind.at_ns, before.total)
        return before, behind

    def forget_before(self, mark_ns: int) -> None:
        """A mark has gone by: what lies before it is no longer asked for, but for the last instant."""
        place = bisect.bisect_left(self._known, Known(mark_ns, -1))
        del self._known[: max(0, place - 1)]
