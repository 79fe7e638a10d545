"""The journal's lines that hold what was measured while it is measured. Replay passes over them; the results read them.

A line belongs to one end of one link in one attempt at a trial, and to one counted window of that attempt: a search
has several. Batches are in the form in which the host told them (metrics/intervals.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from orchestrator.metrics.intervals import SeriesBatch, WatchBatch, series_values, watch_values

INTERVALS = "intervals"  # the kind of these lines


class Place(NamedTuple):
    """Which attempt at which trial, and which counted window in it, from 1."""

    position: int
    attempt: int
    window: int


@dataclass(frozen=True)
class IntervalLine:
    """What one end of a link told at a time. `end` is "first" or "second"."""

    position: int
    attempt: int
    window: int
    link: str
    end: str
    host: str
    series: list[SeriesBatch]
    watch: list[WatchBatch]

    @property
    def place(self) -> Place:
        """What it belongs to."""
        return Place(self.position, self.attempt, self.window)

    def as_dict(self) -> dict[str, Any]:
        """As the journal holds it."""
        return asdict(self)

    def received(self) -> Iterator[tuple[str, float, int, int]]:
        """(way, t_s, octets, datagrams) of each interval that this end received."""
        for batch in self.series:
            if batch["part"] == "receive":
                for t_s, octets, datagrams in series_values(batch):
                    yield batch["way"], t_s, octets, datagrams

    def watched(self) -> Iterator[tuple[Any, ...]]:
        """(t_s, core, busy, softirq, irq, steal, clock_hz) of each sample and core of this end's host."""
        for batch in self.watch:
            yield from watch_values(batch)


def line_from(body: Mapping[str, Any]) -> IntervalLine:
    """The line that a journal holds; ValueError when it is none."""
    try:
        line = IntervalLine(**body)
        for _ in line.received():
            pass
        for _ in line.watched():
            pass
    except (TypeError, KeyError, AttributeError, ArithmeticError) as error:
        raise ValueError(f"a line of intervals is damaged: {error}") from error
    return line
