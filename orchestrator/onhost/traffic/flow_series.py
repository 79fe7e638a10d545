"""One flow's intervals at this end: its streams' counts added up as they come, handed on in batches, never kept."""

from __future__ import annotations

from typing import Dict, List, Optional

from orchestrator.metrics.intervals import STEP_NS, SeriesBatch, interval_count, packed
from orchestrator.metrics.steadiness import Steadiness, Summary
from orchestrator.onhost.traffic.flows import Flow
from orchestrator.onhost.traffic.window import Window

_MOST_WAITING = 600  # intervals, a minute of them, that wait for a stream whose process stands still


class _Waiting:
    """An interval that not every stream has told yet."""

    __slots__ = ("datagrams", "octets", "streams")

    def __init__(self) -> None:
        self.octets = 0.0
        self.datagrams = self.streams = 0


class FlowSeries:
    """Takes each stream's intervals, gives the flow's; knows how steady it was."""

    def __init__(self, flow: Flow, part: str, window: Window) -> None:
        """`part` is "send" or "receive"."""
        self.flow, self._part = flow, part
        self._window_ns = window.to_ns - window.from_ns
        self._steadiness = Steadiness(interval_count(self._window_ns), STEP_NS / 1e9)
        self._waiting: Dict[int, _Waiting] = {}
        self._next = 0
        self._batches: List[SeriesBatch] = []
        self.left_out = 0  # intervals that were given up, because a stream had not told them for a minute

    def add(self, first: int, octets: List[float], datagrams: List[int]) -> None:
        """Consecutive intervals of one stream; without datagrams for TCP."""
        for place, count in enumerate(octets):
            number = first + place
            if number < self._next:  # given up before
                continue
            entry = self._waiting.setdefault(number, _Waiting())
            entry.octets += count
            entry.datagrams += datagrams[place] if datagrams else 0
            entry.streams += 1
            self._hand_on()

    def _hand_on(self) -> None:
        while self._waiting:
            entry = self._waiting.get(self._next)
            if entry is not None and entry.streams == self.flow.streams:
                del self._waiting[self._next]
                self._put(self._next, round(entry.octets), entry.datagrams)
            elif len(self._waiting) > _MOST_WAITING:
                self._waiting.pop(self._next, None)
                self.left_out += 1
            else:
                return
            self._next += 1

    def _put(self, number: int, octets: int, datagrams: int) -> None:
        self._steadiness.take(number, octets)
        last: Optional[SeriesBatch] = self._batches[-1] if self._batches else None
        if last is None or last["first"] + len(last["bytes"]) != number:
            last = {
                "way": self.flow.way,
                "part": self._part,
                "first": number,
                "window_ns": self._window_ns,
                "bytes": [],
                "datagrams": [],
            }
            self._batches.append(last)
        last["bytes"].append(octets)
        assert isinstance(last["datagrams"], list)
        last["datagrams"].append(datagrams)

    def take(self) -> List[SeriesBatch]:
        """The batches since the last call."""
        taken, self._batches = self._batches, []
        for batch in taken:
            batch["datagrams"] = packed(batch["datagrams"]) if isinstance(batch["datagrams"], list) else None
        return taken

    def summary(self) -> Summary:
        """How steady the flow was."""
        return self._steadiness.summary()
