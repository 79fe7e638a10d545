"""One sample of a host, and what two of them say together."""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Optional, TypedDict

from orchestrator.onhost.watch import cores
from orchestrator.onhost.watch.quota import Periods

LONGEST_LAG_S = 2.5  # no driver is known to be slower; a longer pause is the traffic's own
THREAD_SHARE = 0.01  # of a core; kernel threads that ran less are not worth a line


class ThreadShare(TypedDict):
    """A kernel thread, and the share of a core that it ran."""

    name: str
    share: float


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


def shares(first: Sample, last: Sample) -> Dict[int, cores.CoreShares]:
    """What each core did between two samples; a core that came or went in between is left out."""
    before, after = cores.parse_core_times(first.stat), cores.parse_core_times(last.stat)
    found = {core: cores.core_shares(before[core], after[core]) for core in after if core in before}
    return {core: share for core, share in found.items() if share is not None}


def softnet_increase(first: Sample, last: Sample) -> cores.Softnet:
    """Backlog drops and exhausted budgets between two samples, over all cores."""
    before, after = cores.parse_softnet(first.softnet), cores.parse_softnet(last.softnet)
    none = cores.Softnet(0, 0)
    return cores.Softnet(
        sum(after[core].dropped - before.get(core, none).dropped for core in after),
        sum(after[core].squeezed - before.get(core, none).squeezed for core in after),
    )


def thread_shares(first: Sample, last: Sample) -> List[ThreadShare]:
    """Kernel threads that ran, as shares of a core, the busiest first."""
    seconds = (last.at_ns - first.at_ns) / 1e9
    found = {
        name: (ran_ns - first.threads_ns.get(name, ran_ns)) / 1e9 / seconds for name, ran_ns in last.threads_ns.items()
    }
    return [
        {"name": name, "share": round(found[name], 4)}
        for name in sorted(found, key=lambda name: -found[name])
        if found[name] > THREAD_SHARE
    ]
