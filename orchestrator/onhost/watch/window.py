"""What a window's samples come to, and their series in batches: of the samples only a few are ever kept.

Understanding what the files said waits for two seconds of samples at a time, so that watching costs the measured
machine as little as it can and a short trial is watched without understanding anything before its end.
"""

from __future__ import annotations

from typing import Callable, Dict, List, NamedTuple, Optional, Tuple

from orchestrator.metrics.intervals import Column, WatchBatch, packed
from orchestrator.onhost.watch import cores, samples
from orchestrator.onhost.watch.samples import Sample

BATCH_SAMPLES = 10
SERIES_CORES = 16  # the busiest of a large machine, of each batch; the summary counts all
_EARLIEST_NS = -(1 << 62)


class ClockSum(NamedTuple):
    """The readings of one policy's clock: how many, their sum and the lowest, Hz."""

    readings: int
    total_hz: int
    min_hz: int


class WatchedWindow:
    """Takes samples in their order, from the last one before the window to the first one after it."""

    def __init__(self, from_ns: int = _EARLIEST_NS, to_ns: int = 1 << 62) -> None:
        """The window of CLOCK_MONOTONIC."""
        self._from_ns, self._to_ns = from_ns, to_ns
        self._reset()

    def _reset(self) -> None:
        self.count = 0
        self.first: Optional[Sample] = None
        self.last: Optional[Sample] = None
        self.clocks: Dict[str, ClockSum] = {}
        self.celsius: Optional[float] = None
        self._throttles: Optional[Tuple[int, int]] = None
        self._fresh: List[Sample] = []  # not understood yet, after the last one that is

    def take(self, sample: Sample) -> None:
        """The next sample."""
        if self.last is not None and self.last.at_ns >= self._to_ns:
            return
        if sample.at_ns <= self._from_ns:  # a nearer one before the window
            self._reset()
        self.first = self.first or sample
        self.last = sample
        self.count += 1
        self._fresh.append(sample)
        for policy, clock_hz in sample.clocks_hz.items():
            known = self.clocks.get(policy, ClockSum(0, 0, clock_hz))
            self.clocks[policy] = ClockSum(known.readings + 1, known.total_hz + clock_hz, min(known.min_hz, clock_hz))
        if sample.celsius is not None:
            self.celsius = sample.celsius if self.celsius is None else max(self.celsius, sample.celsius)
        if sample.throttles is not None:
            self._throttles = (self._throttles[0] if self._throttles else sample.throttles, sample.throttles)

    @property
    def thermal_throttles(self) -> Optional[int]:
        """How often the processor throttled itself for heat; None where it does not count."""
        return None if self._throttles is None else self._throttles[1] - self._throttles[0]

    @property
    def batch_is_due(self) -> bool:
        """Whether two seconds of samples wait to be understood."""
        return len(self._fresh) > BATCH_SAMPLES

    def batch(self, clock_of: Callable[[int], str]) -> Optional[WatchBatch]:
        """The series of what has not been understood yet; `clock_of` names a core's clock."""
        fresh, self._fresh = self._fresh, self._fresh[-1:]
        if len(fresh) < 2:
            return None
        whole = samples.shares(fresh[0], fresh[-1])
        kept = sorted(sorted(whole, key=lambda core: whole[core].busy)[-SERIES_CORES:])
        each = [samples.shares(before, after) for before, after in zip(fresh, fresh[1:])]
        zero_ns = self._from_ns if self._from_ns != _EARLIEST_NS else fresh[0].at_ns
        return {
            "t_ms": [round((sample.at_ns - zero_ns) / 1e6) for sample in fresh[1:]],
            "cores": {
                str(core): _columns(core, each, [sample.clocks_hz.get(clock_of(core)) for sample in fresh[1:]])
                for core in kept
            },
        }


def _columns(core: int, each: List[Dict[int, cores.CoreShares]], clocks_hz: List[Optional[int]]) -> List[Column]:
    shares = [share.get(core) for share in each]
    found = [
        packed([None if share is None else round(1000 * share[column]) for share in shares]) for column in range(4)
    ]
    return [*found, packed([None if clock_hz is None else clock_hz // 1000 for clock_hz in clocks_hz])]


class CounterLag:
    """For how long an interface's counters stood still between two changes while it carried traffic.

    Drivers that copy their card's counters do so once in a second or two: such a counter stands still, and jumps.
    Traffic that pauses looks alike, which only makes the caller wait a little longer for nothing.
    """

    def __init__(self, interval_s: float) -> None:
        self._interval_s = interval_s
        self._octets: Optional[int] = None
        self._changed_ns: Optional[int] = None
        self._longest_ns = 0

    def take(self, at_ns: int, octets: int) -> None:
        """The counter at an instant."""
        if self._octets is not None and octets != self._octets:
            if self._changed_ns is not None:
                self._longest_ns = max(self._longest_ns, at_ns - self._changed_ns)
            self._changed_ns = at_ns
        self._octets = octets

    @property
    def seconds(self) -> float:
        """The longest such time; 0 when the counters do not lag."""
        longest_s = self._longest_ns / 1e9
        return min(longest_s, samples.LONGEST_LAG_S) if longest_s > 2.5 * self._interval_s else 0.0
