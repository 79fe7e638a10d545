"""One sample of a host, and what two of them say together."""

from __future__ import annotations

from typing import Any, Dict, List, NamedTuple, Optional, Sequence

from orchestrator.onhost.watch import cores
from orchestrator.onhost.watch.quota import Periods

LONGEST_LAG_S = 2.5         # no driver is known to be slower; a longer pause is the traffic's own
THREAD_SHARE = 0.01         # of a core; kernel threads that ran less are not worth a line


class Sample(NamedTuple):
    """What the files said at one instant of CLOCK_MONOTONIC, not yet understood."""

    at_ns: int
    stat: bytes
    softirqs: bytes
    softnet: bytes
    interrupts: bytes
    interface_bytes: int
    clocks_hz: Dict[str, int]
    quotas: List[Periods]
    threads_ns: Dict[str, int]
    celsius: Optional[float]
    throttles: Optional[int]


def covering(samples: Sequence[Sample], from_ns: int, to_ns: int) -> List[Sample]:
    """The samples that cover a window: from the last one before it to the first one after it."""
    before = [index for index, sample in enumerate(samples) if sample.at_ns <= from_ns]
    after = [index for index, sample in enumerate(samples) if sample.at_ns >= to_ns]
    start = before[-1] if before else 0
    end = after[0] if after else len(samples) - 1
    return list(samples[start:end + 1])


def shares(first: Sample, last: Sample) -> Dict[int, cores.CoreShares]:
    """What each core did between two samples; a core that came or went in between is left out."""
    before, after = cores.parse_core_times(first.stat), cores.parse_core_times(last.stat)
    found = {core: cores.core_shares(before[core], after[core]) for core in after if core in before}
    return {core: share for core, share in found.items() if share is not None}


def softnet_increase(first: Sample, last: Sample) -> cores.Softnet:
    """Backlog drops and exhausted budgets between two samples, over all cores."""
    before, after = cores.parse_softnet(first.softnet), cores.parse_softnet(last.softnet)
    none = cores.Softnet(0, 0)
    return cores.Softnet(sum(after[core].dropped - before.get(core, none).dropped for core in after),
                         sum(after[core].squeezed - before.get(core, none).squeezed for core in after))


def thermal_throttles(window: Sequence[Sample]) -> Optional[int]:
    """How often the processor throttled itself for heat; None where it does not count."""
    counts = [sample.throttles for sample in window if sample.throttles is not None]
    return counts[-1] - counts[0] if counts else None


def thread_shares(first: Sample, last: Sample) -> List[Dict[str, Any]]:
    """Kernel threads that ran, as shares of a core, the busiest first."""
    seconds = (last.at_ns - first.at_ns) / 1e9
    found = {name: (ran_ns - first.threads_ns.get(name, ran_ns)) / 1e9 / seconds
             for name, ran_ns in last.threads_ns.items()}
    return [{"name": name, "share": round(found[name], 4)}
            for name in sorted(found, key=lambda name: -found[name]) if found[name] > THREAD_SHARE]


def counter_lag_s(samples: Sequence[Sample], interval_s: float) -> float:
    """For how long the interface's counters stood still between two changes while it carried traffic; 0 for not.

    Drivers that copy their card's counters do so once in a second or two: such a counter stands still, and jumps.
    Traffic that pauses looks alike, which only makes the caller wait a little longer for nothing.
    """
    changed_ns = [samples[index].at_ns for index in range(1, len(samples))
                  if samples[index].interface_bytes != samples[index - 1].interface_bytes]
    gaps_ns = [changed_ns[index] - changed_ns[index - 1] for index in range(1, len(changed_ns))]
    longest_s = max(gaps_ns, default=0) / 1e9
    return min(longest_s, LONGEST_LAG_S) if longest_s > 2.5 * interval_s else 0.0
