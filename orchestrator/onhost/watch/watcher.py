"""The sampler that runs beside the traffic, and what its samples mean over a window.

A sample keeps what the files said and understands nothing: understanding waits until the traffic has ended, so that
watching costs the measured machine as little as it can.
"""

from __future__ import annotations

import os
import time
from typing import Any, Dict, List, Optional

from orchestrator.onhost.watch import cores, samples
from orchestrator.onhost.watch.clocks import Clocks, Policy
from orchestrator.onhost.watch.files import KeptFile
from orchestrator.onhost.watch.kernel_log import KernelLog
from orchestrator.onhost.watch.quota import Quotas, throttled_ratio
from orchestrator.onhost.watch.samples import Sample
from orchestrator.onhost.watch.threads import NetworkThreads

_SLOW_EVERY = 5             # sensors answer in milliseconds on some boards: every fifth sample is enough
_SERIES_CORES = 16          # the busiest of a large machine; the summary counts all
SERIES_COLUMNS = ("t_s", "core", "busy", "softirq", "irq", "steal", "clock_hz")


class Watcher:
    """Watches one interface's host. Call `sample` every `interval_s`, `summary` once at the end."""

    def __init__(self, interface: str, interval_s: float = 0.2, *, proc_root: str = "/proc",
                 sys_root: str = "/sys") -> None:
        """Opens every file once. The roots are other directories only in tests."""
        self.interface = interface
        self.interval_s = interval_s
        self._files = {name: KeptFile(os.path.join(proc_root, name))
                       for name in ("stat", "softirqs", "net/softnet_stat", "interrupts")}
        statistics = os.path.join(sys_root, "class/net", interface, "statistics")
        self._carried = [KeptFile(os.path.join(statistics, name)) for name in ("rx_bytes", "tx_bytes")]
        self._numbers = cores.interrupt_numbers(interface, self._files["interrupts"].read_records(), sys_root)
        self._clocks = Clocks(sys_root)
        self._quotas = Quotas(proc_root)
        self._threads = NetworkThreads(interface, proc_root)
        self._log = KernelLog(_names_of(interface, sys_root))
        self._samples: List[Sample] = []
        self._cost_cpu_s = 0.0

    def sample(self) -> None:
        """Read everything once and keep it."""
        began_s = time.thread_time()
        files, slow = self._files, len(self._samples) % _SLOW_EVERY == 0
        self._samples.append(Sample(
            at_ns=time.monotonic_ns(), stat=files["stat"].read().partition(b"\nintr")[0],
            softirqs=files["softirqs"].read(), softnet=files["net/softnet_stat"].read_records(),
            interrupts=files["interrupts"].read_records() if self._numbers else b"",
            interface_bytes=sum(file.number() or 0 for file in self._carried), clocks_hz=self._clocks.read_hz(),
            quotas=self._quotas.read(), threads_ns=self._threads.read_run_ns(),
            celsius=self._clocks.read_celsius() if slow else None,
            throttles=self._clocks.read_throttles() if slow else None))
        self._cost_cpu_s += time.thread_time() - began_s

    def counter_lag_s(self) -> float:
        """For how long this interface's counters stand still between two refreshes; 0 when they do not lag."""
        return samples.counter_lag_s(self._samples, self.interval_s)

    def summary(self, from_ns: int, to_ns: int) -> Dict[str, Any]:
        """What the samples say about the window [from_ns, to_ns] of CLOCK_MONOTONIC; {} with fewer than two samples."""
        window = samples.covering(self._samples, from_ns, to_ns)
        if len(window) < 2:
            return {}
        first, last = window[0], window[-1]
        shares = samples.shares(first, last)
        busiest = max(shares, key=lambda core: shares[core].busy, default=None)
        softnet = samples.softnet_increase(first, last)
        celsius = [sample.celsius for sample in window if sample.celsius is not None]
        return {
            "interval_s": self.interval_s, "seconds": (last.at_ns - first.at_ns) / 1e9, "samples": len(window),
            "cores": [{"core": core, **{name: round(value, 4) for name, value in shares[core]._asdict().items()}}
                      for core in sorted(shares)],
            "busiest_core": busiest,
            "busiest_core_busy": None if busiest is None else round(shares[busiest].busy, 4),
            "busiest_core_softirq": None if busiest is None else round(shares[busiest].softirq, 4),
            "steal": max((share.steal for share in shares.values()), default=None),
            **self._interrupt_cores(first, last), **self._clock_summary(window, busiest),
            "temperature_max_c": max(celsius, default=None), "thermal_throttles": samples.thermal_throttles(window),
            "throttled_ratio": throttled_ratio(first.quotas, last.quotas),
            "softnet_dropped": softnet.dropped, "softnet_squeezed": softnet.squeezed,
            "kernel_threads": samples.thread_shares(first, last), "kernel_warnings": self._log.warnings(),
            "counter_lag_s": round(self.counter_lag_s(), 3), "cost_cpu_s": round(self._cost_cpu_s, 6),
            "series_columns": list(SERIES_COLUMNS), "series": self._series(window, from_ns, shares),
        }

    def close(self) -> None:
        """Give all descriptors back."""
        for kept in (*self._files.values(), *self._carried):
            kept.close()
        for room in (self._clocks, self._quotas, self._threads, self._log):
            room.close()

    def _interrupt_cores(self, first: Sample, last: Sample) -> Dict[str, Optional[int]]:
        """The cores that took most of the interface's interrupts, and most network receive softirqs."""
        interrupts = cores.increase(cores.parse_interrupts(first.interrupts, self._numbers),
                                    cores.parse_interrupts(last.interrupts, self._numbers))
        receive = cores.increase(cores.parse_net_softirqs(first.softirqs), cores.parse_net_softirqs(last.softirqs))
        return {"irq_core": cores.busiest(interrupts), "softirq_core": cores.busiest(receive)}

    def _policy_of(self, core: Optional[int]) -> Optional[Policy]:
        """The policy that clocks a core; the first one when the machine does not say."""
        for policy in self._clocks.policies:
            if core in policy.cores:
                return policy
        return self._clocks.policies[0] if self._clocks.policies else None

    def _clock_summary(self, window: List[Sample], busiest: Optional[int]) -> Dict[str, Any]:
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

    def _series(self, window: List[Sample], from_ns: int, whole: Dict[int, cores.CoreShares]) -> List[List[Any]]:
        """One row per interval and core, in the order of SERIES_COLUMNS; t_s is the interval's end in the window."""
        kept = sorted(sorted(whole, key=lambda core: whole[core].busy)[-_SERIES_CORES:])
        names = {core: policy.name for core in kept for policy in [self._policy_of(core)] if policy is not None}
        rows: List[List[Any]] = []
        for index in range(1, len(window)):
            late = window[index]
            shares = samples.shares(window[index - 1], late)
            rows.extend([round((late.at_ns - from_ns) / 1e9, 3), core, *(round(value, 3) for value in shares[core]),
                         late.clocks_hz.get(names.get(core, ""))] for core in kept if core in shares)
        return rows


def _names_of(interface: str, sys_root: str) -> List[str]:
    """What a kernel message about an interface may call it: its name, its device's bus address."""
    device = os.path.join(sys_root, "class/net", interface, "device")
    return [interface, os.path.basename(os.path.realpath(device)) if os.path.exists(device) else ""]
