"""What is measured goes to the controller while it is measured: every two seconds, and never at the traffic's expense.

A controller that takes nothing for a while is waited for by buffers of fixed size (this job's, the helper's, SSH's);
when they are full, what is new is dropped and counted. Nothing here ever waits while traffic runs.
"""

from __future__ import annotations

import time
from typing import Callable, List

from orchestrator.metrics.intervals import Intervals, WatchBatch
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.traffic.flow_series import FlowSeries
from orchestrator.onhost.traffic.results import LeftOut

EVERY_NS = 2_000_000_000


class Telling:
    """Gathers what there is to tell and tells it when it is time."""

    def __init__(self, talk: Talk, series: List[FlowSeries], watched: Callable[[], List[WatchBatch]]) -> None:
        """`watched()` gives the watcher's batches since it was last called."""
        self._talk, self._series, self._watched = talk, series, watched
        self.due_ns = time.monotonic_ns() + EVERY_NS
        self._dropped_intervals = self._dropped_samples = 0

    def turn(self) -> None:
        """Tell when it is due; send on what the line did not take before."""
        self._talk.push()
        now_ns = time.monotonic_ns()
        if now_ns < self.due_ns:
            return
        self.due_ns = now_ns + EVERY_NS
        found = self._gathered()
        if _holds_any(found) and not self._talk.offer({"intervals": found}):
            self._dropped_intervals += sum(len(batch["bytes"]) for batch in found["series"])
            self._dropped_samples += sum(len(batch["t_ms"]) for batch in found["watch"])

    def end(self) -> LeftOut:
        """The traffic is over: tell the rest, waiting for the line, and how much was dropped in all."""
        found = self._gathered()
        if _holds_any(found):
            self._talk.event({"intervals": found})
        left_out = sum(series.left_out for series in self._series)
        return {"dropped_intervals": self._dropped_intervals + left_out, "dropped_samples": self._dropped_samples}

    def _gathered(self) -> Intervals:
        watch = self._watched()
        return {"series": [batch for series in self._series for batch in series.take()], "watch": watch}


def _holds_any(found: Intervals) -> bool:
    return bool(found["series"] or found["watch"])
