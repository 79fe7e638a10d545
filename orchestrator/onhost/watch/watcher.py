"""The sampler that runs beside the traffic, and what its samples mean over a window.

A sample keeps what the files said and understands nothing: understanding waits until the traffic has ended, so that
watching costs the measured machine as little as it can.
"""

from __future__ import annotations

import os
import time
from typing import Any, Dict, List, NamedTuple, Optional, Tuple

from orchestrator.onhost.watch import cores
from orchestrator.onhost.watch.clocks import Clocks, Policy
from orchestrator.onhost.watch.files import KeptFile
from orchestrator.onhost.watch.kernel_log import KernelLog
from orchestrator.onhost.watch.quota import Periods, Quotas, throttled_ratio
from orchestrator.onhost.watch.threads import NetworkThreads

_SLOW_EVERY = 5             # sensors answer in milliseconds on some boards: every fifth sample is enough
_SERIES_CORES = 16          # the busiest of a large machine; the summary counts all


class _Sample(NamedTuple):
    """What the files said at one instant of CLOCK_MONOTONIC."""

    at_ns: int
    stat: bytes
    softirqs: bytes
    softnet: bytes
    interrupts: bytes
    clocks_hz: Dict[str, int]
    quotas: List[Periods]
    threads_ns: Dict[str, int]
    celsius: Optional[float]
    throttles: Optional[int]


class Watcher:
    """Watches one interface's host. Call `sample` every `interval_s`, `summary` once at the end."""

    def __init__(self, interface: str, interval_s: float = 0.2, *, proc_root: str = "/proc",
                 sys_root: str = "/sys") -> None:
        """Opens every file once. The roots are other directories only in tests."""
        self.interface = interface
        self.interval_s = interval_s
        self._stat, self._softirqs, self._softnet, self._interrupts = (
            KeptFile(os.path.join(proc_root, name))
            for name in ("stat", "softirqs", "net/softnet_stat", "interrupts"))
        self._numbers = cores.interrupt_numbers(interface, self._interrupts.read_records(), sys_root)
        self._clocks = Clocks(sys_root)
        self._quotas = Quotas(proc_root)
        self._threads = NetworkThreads(interface, proc_root)
        self._log = KernelLog(_names_of(interface, sys_root))
        self._samples: List[_Sample] = []
        self._cost_cpu_s = 0.0

    def sample(self) -> None:
        """Read everything once and keep it."""
        began_s = time.thread_time()
        slow = len(self._samples) % _SLOW_EVERY == 0
        self._samples.append(_Sample(
            time.monotonic_ns(), self._stat.read().partition(b"\nintr")[0], self._softirqs.read(),
            self._softnet.read_records(), self._interrupts.read_records() if self._numbers else b"",
            self._clocks.read_hz(), self._quotas.read(), self._threads.read_run_ns(),
            self._clocks.read_celsius() if slow else None, self._clocks.read_throttles() if slow else None))
        self._cost_cpu_s += time.thread_time() - began_s

    def summary(self, from_ns: int, to_ns: int) -> Dict[str, Any]:
        """What the samples say about the window [from_ns, to_ns] of CLOCK_MONOTONIC; {} with fewer than two samples."""
        window = self._window(from_ns, to_ns)
        if len(window) < 2:
            return {}
        first, last = window[0], window[-1]
        shares = _shares(first, last)
        busiest = max(shares, key=lambda core: shares[core].busy, default=None)
        softnet = _softnet_increase(first, last)
        interrupts = cores.increase(cores.parse_interrupts(first.interrupts, self._numbers),
                                    cores.parse_interrupts(last.interrupts, self._numbers))
        receive = cores.increase(cores.parse_net_softirqs(first.softirqs), cores.parse_net_softirqs(last.softirqs))
        seconds = (last.at_ns - first.at_ns) / 1e9
        return {
            "interval_s": self.interval_s, "seconds": seconds,
            "cores": [{"core": core, **{name: round(value, 4) for name, value in shares[core]._asdict().items()}}
                      for core in sorted(shares)],
            "busiest_core": busiest,
            "busiest_core_busy": None if busiest is None else round(shares[busiest].busy, 4),
            "busiest_core_softirq": None if busiest is None else round(shares[busiest].softirq, 4),
            "irq_core": cores.busiest(interrupts), "softirq_core": cores.busiest(receive),
            "steal": max((share.steal for share in shares.values()), default=None),
            **self._clock_summary(window, busiest),
            "temperature_max_c": max((sample.celsius for sample in window if sample.celsius is not None), default=None),
            "thermal_throttles": _throttles(window),
            "throttled_ratio": throttled_ratio(first.quotas, last.quotas),
            "softnet_dropped": softnet.dropped, "softnet_squeezed": softnet.squeezed,
            "kernel_threads": _thread_shares(first, last, seconds), "kernel_warnings": self._log.warnings(),
            "cost_cpu_s": round(self._cost_cpu_s, 6), "samples": len(window),
            "series_columns": ["t_s", "core", "busy", "softirq", "irq", "steal", "clock_hz"],
            "series": self._series(window, from_ns, shares),
        }

    def close(self) -> None:
        """Give all descriptors back."""
        for kept in (self._stat, self._softirqs, self._softnet, self._interrupts, self._clocks, self._quotas,
                     self._threads, self._log):
            kept.close()

    def _window(self, from_ns: int, to_ns: int) -> List[_Sample]:
        """The samples that cover the window: from the last one before it to the first one after it."""
        before = [index for index, sample in enumerate(self._samples) if sample.at_ns <= from_ns]
        after = [index for index, sample in enumerate(self._samples) if sample.at_ns >= to_ns]
        start = before[-1] if before else 0
        end = after[0] if after else len(self._samples) - 1
        return self._samples[start:end + 1]

    def _policy_of(self, core: Optional[int]) -> Optional[Policy]:
        """The policy that clocks a core; the first one when the machine does not say."""
        for policy in self._clocks.policies:
            if core in policy.cores:
                return policy
        return self._clocks.policies[0] if self._clocks.policies else None

    def _clock_summary(self, window: List[_Sample], busiest: Optional[int]) -> Dict[str, Any]:
        """Clock of the busiest core's policy, and of each policy; Hz."""
        policies = []
        for policy in self._clocks.policies:
            readings = [sample.clocks_hz[policy.name] for sample in window if policy.name in sample.clocks_hz]
            if readings:
                policies.append({"policy": policy.name, "cores": list(policy.cores), "max_hz": policy.max_hz,
                                 "mean_hz": sum(readings) / len(readings), "min_hz": min(readings)})
        chosen = self._policy_of(busiest)
        of_busiest: Dict[str, Any] = next((entry for entry in policies
                                           if chosen is not None and entry["policy"] == chosen.name), {})
        return {"clock_mean_hz": of_busiest.get("mean_hz"), "clock_min_hz": of_busiest.get("min_hz"),
                "clock_max_hz": of_busiest.get("max_hz"), "clock_simulated": self._clocks.simulated, "clocks": policies}

    def _series(self, window: List[_Sample], from_ns: int, whole: Dict[int, cores.CoreShares]) -> List[List[Any]]:
        """One row per interval and core: end of the interval in seconds from the window's start, shares, clock."""
        kept = sorted(sorted(whole, key=lambda core: whole[core].busy)[-_SERIES_CORES:])
        names = {core: policy.name for core in kept for policy in [self._policy_of(core)] if policy is not None}
        rows: List[List[Any]] = []
        for early, late in zip(window, window[1:]):     # noqa: RUF007 - itertools.pairwise is newer than Python 3.8
            shares = _shares(early, late)
            rows.extend([round((late.at_ns - from_ns) / 1e9, 3), core, *(round(value, 3) for value in shares[core]),
                         late.clocks_hz.get(names.get(core, ""))] for core in kept if core in shares)
        return rows


def _names_of(interface: str, sys_root: str) -> List[str]:
    """What a kernel message about an interface may call it: its name, its device's bus address."""
    device = os.path.join(sys_root, "class/net", interface, "device")
    return [interface, os.path.basename(os.path.realpath(device)) if os.path.exists(device) else ""]


def _shares(first: _Sample, last: _Sample) -> Dict[int, cores.CoreShares]:
    before, after = cores.parse_core_times(first.stat), cores.parse_core_times(last.stat)
    shares = {core: cores.core_shares(before[core], after[core]) for core in after if core in before}
    return {core: share for core, share in shares.items() if share is not None}


def _softnet_increase(first: _Sample, last: _Sample) -> cores.Softnet:
    before, after = cores.parse_softnet(first.softnet), cores.parse_softnet(last.softnet)
    none = cores.Softnet(0, 0)
    return cores.Softnet(sum(after[core].dropped - before.get(core, none).dropped for core in after),
                         sum(after[core].squeezed - before.get(core, none).squeezed for core in after))


def _throttles(window: List[_Sample]) -> Optional[int]:
    counts = [sample.throttles for sample in window if sample.throttles is not None]
    return counts[-1] - counts[0] if counts else None


def _thread_shares(first: _Sample, last: _Sample, seconds: float) -> List[Dict[str, Any]]:
    """Kernel threads that used more than a hundredth of a core, the busiest first."""
    shares: List[Tuple[str, float]] = [(name, (ran_ns - first.threads_ns.get(name, ran_ns)) / 1e9 / seconds)
                                       for name, ran_ns in last.threads_ns.items()]
    return [{"name": name, "share": round(share, 4)}
            for name, share in sorted(shares, key=lambda pair: -pair[1]) if share > 0.01]
