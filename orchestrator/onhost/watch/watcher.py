"""The sampler that runs beside the traffic, and what its samples mean over a window.

A sample keeps what the files said and understands nothing: that waits for two seconds of samples at a time.
"""

from __future__ import annotations

import os
import time
from typing import List, Optional, Tuple, TypedDict

from orchestrator.metrics.intervals import WatchBatch
from orchestrator.onhost.watch import cores, samples
from orchestrator.onhost.watch.clocks import Clocks, Policy
from orchestrator.onhost.watch.files import KeptFile
from orchestrator.onhost.watch.kernel_log import MAX_LINES, KernelLog
from orchestrator.onhost.watch.quota import Quotas, throttled_ratio
from orchestrator.onhost.watch.samples import Sample, ThreadShare
from orchestrator.onhost.watch.threads import NetworkThreads
from orchestrator.onhost.watch.window import CounterLag, WatchedWindow

_SLOW_EVERY = 5  # sensors answer in milliseconds on some boards: every fifth sample is enough


class CoreTold(TypedDict):
    """What a core did, as shares of the time."""

    core: int
    busy: float
    softirq: float
    irq: float
    steal: float


class PolicyClock(TypedDict):
    """The clock of a policy's cores, Hz."""

    policy: str
    cores: List[int]
    max_hz: Optional[int]
    mean_hz: float
    min_hz: int


class Watched(TypedDict, total=False):
    """What the samples of a window say; all keys, or none with fewer than two samples. Shares are of one core."""

    interval_s: float
    seconds: float
    samples: int
    cores: List[CoreTold]
    busiest_core: Optional[int]
    busiest_core_busy: Optional[float]
    busiest_core_softirq: Optional[float]
    steal: Optional[float]
    irq_core: Optional[int]
    softirq_core: Optional[int]
    clock_mean_hz: Optional[float]
    clock_min_hz: Optional[int]
    clock_max_hz: Optional[int]
    clock_simulated: bool
    clocks: List[PolicyClock]
    temperature_max_c: Optional[float]
    thermal_throttles: Optional[int]
    throttled_ratio: Optional[float]
    softnet_dropped: int
    softnet_squeezed: int
    kernel_threads: List[ThreadShare]
    kernel_warnings: List[str]
    counter_lag_s: float
    cost_cpu_s: float


class Watcher:
    """Watches one interface's host. Call `sample` every `interval_s`, `summary` once at the end.

    In between, `take_batches` gives what there is of the series; nothing here grows with the time that is watched.
    """

    def __init__(
        self, interface: str, interval_s: float = 0.2, *, proc_root: str = "/proc", sys_root: str = "/sys"
    ) -> None:
        """Opens every file once. The roots are other directories only in tests."""
        self.interface = interface
        self.interval_s = interval_s
        self._files = {
            name: KeptFile(os.path.join(proc_root, name))
            for name in ("stat", "softirqs", "net/softnet_stat", "interrupts")
        }
        statistics = os.path.join(sys_root, "class/net", interface, "statistics")
        self._carried = [KeptFile(os.path.join(statistics, name)) for name in ("rx_bytes", "tx_bytes")]
        self._numbers = cores.interrupt_numbers(interface, self._files["interrupts"].read_records(), sys_root)
        self._clocks = Clocks(sys_root)
        self._quotas = Quotas(proc_root)
        self._threads = NetworkThreads(interface, proc_root)
        self._log = KernelLog(_names_of(interface, sys_root))
        self._window = WatchedWindow()
        self._lag = CounterLag(interval_s)
        self._taken = 0
        self._batches: List[WatchBatch] = []
        self._warnings: List[str] = []
        self._cost_cpu_s = 0.0

    def begin(self, from_ns: int, to_ns: int) -> None:
        """The window [from_ns, to_ns] of CLOCK_MONOTONIC to which summary and series are about; all, when not told."""
        before, self._window = self._window.last, WatchedWindow(from_ns, to_ns)
        self._batches = []
        if before is not None:
            self._window.take(before)

    def sample(self) -> None:
        """Read everything once and keep it."""
        began_s = time.thread_time()
        files, slow = self._files, self._taken % _SLOW_EVERY == 0
        self._taken += 1
        self._take(
            Sample(
                at_ns=time.monotonic_ns(),
                stat=files["stat"].read().partition(b"\nintr")[0],
                softirqs=files["softirqs"].read(),
                softnet=files["net/softnet_stat"].read_records(),
                interrupts=files["interrupts"].read_records() if self._numbers else b"",
                interface_bytes=sum(file.number() or 0 for file in self._carried),
                clocks_hz=self._clocks.read_hz(),
                quotas=self._quotas.read(),
                threads_ns=self._threads.read_run_ns(),
                celsius=self._clocks.read_celsius() if slow else None,
                throttles=self._clocks.read_throttles() if slow else None,
            )
        )
        self._cost_cpu_s += time.thread_time() - began_s

    def _take(self, sample: Sample) -> None:
        self._lag.take(sample.at_ns, sample.interface_bytes)
        self._window.take(sample)
        if self._window.batch_is_due:
            self._understand()
            self._note_warnings()

    def _understand(self) -> None:
        batch = self._window.batch(self._clock_of)
        if batch is not None:
            self._batches.append(batch)

    def _note_warnings(self) -> None:
        """The kernel's own log forgets: it is read while it grows."""
        self._warnings += self._log.warnings()[: MAX_LINES - len(self._warnings)]

    def take_batches(self) -> List[WatchBatch]:
        """The series since the last call, as far as it has been understood."""
        taken, self._batches = self._batches, []
        return taken

    def counter_lag_s(self) -> float:
        """For how long this interface's counters stand still between two refreshes; 0 when they do not lag."""
        return self._lag.seconds

    def summary(self) -> Watched:
        """What the samples say about the window; {} with fewer than two samples. The series is whole after this."""
        window = self._window
        first, last = window.first, window.last
        if first is None or last is None or window.count < 2:
            return {}
        began_s = time.thread_time()
        self._understand()
        self._cost_cpu_s += time.thread_time() - began_s
        self._note_warnings()
        shares = samples.shares(first, last)
        busiest = max(shares, key=lambda core: shares[core].busy, default=None)
        softnet = samples.softnet_increase(first, last)
        irq_core, softirq_core = self._interrupt_cores(first, last)
        clocks = self._policy_clocks()
        chosen = self._policy_of(busiest)
        clock = next((each for each in clocks if chosen is not None and each["policy"] == chosen.name), None)
        return {
            "interval_s": self.interval_s,
            "seconds": (last.at_ns - first.at_ns) / 1e9,
            "samples": window.count,
            "cores": [
                {
                    "core": core,
                    "busy": round(shares[core].busy, 4),
                    "softirq": round(shares[core].softirq, 4),
                    "irq": round(shares[core].irq, 4),
                    "steal": round(shares[core].steal, 4),
                }
                for core in sorted(shares)
            ],
            "busiest_core": busiest,
            "busiest_core_busy": None if busiest is None else round(shares[busiest].busy, 4),
            "busiest_core_softirq": None if busiest is None else round(shares[busiest].softirq, 4),
            "steal": max((share.steal for share in shares.values()), default=None),
            "irq_core": irq_core,
            "softirq_core": softirq_core,
            "clock_mean_hz": None if clock is None else clock["mean_hz"],
            "clock_min_hz": None if clock is None else clock["min_hz"],
            "clock_max_hz": None if clock is None else clock["max_hz"],
            "clock_simulated": self._clocks.simulated,
            "clocks": clocks,
            "temperature_max_c": window.celsius,
            "thermal_throttles": window.thermal_throttles,
            "throttled_ratio": throttled_ratio(first.quotas, last.quotas),
            "softnet_dropped": softnet.dropped,
            "softnet_squeezed": softnet.squeezed,
            "kernel_threads": samples.thread_shares(first, last),
            "kernel_warnings": self._warnings,
            "counter_lag_s": round(self.counter_lag_s(), 3),
            "cost_cpu_s": round(self._cost_cpu_s, 6),
        }

    def close(self) -> None:
        """Give all descriptors back."""
        for kept in (*self._files.values(), *self._carried):
            kept.close()
        for room in (self._clocks, self._quotas, self._threads, self._log):
            room.close()

    def _interrupt_cores(self, first: Sample, last: Sample) -> Tuple[Optional[int], Optional[int]]:
        """The cores that took most of the interface's interrupts, and most network receive softirqs."""
        interrupts = cores.increase(
            cores.parse_interrupts(first.interrupts, self._numbers),
            cores.parse_interrupts(last.interrupts, self._numbers),
        )
        receive = cores.increase(cores.parse_net_softirqs(first.softirqs), cores.parse_net_softirqs(last.softirqs))
        return cores.busiest(interrupts), cores.busiest(receive)

    def _clock_of(self, core: int) -> str:
        policy = self._policy_of(core)
        return policy.name if policy is not None else ""

    def _policy_of(self, core: Optional[int]) -> Optional[Policy]:
        """The policy that clocks a core; the first one when the machine does not say."""
        for policy in self._clocks.policies:
            if core in policy.cores:
                return policy
        return self._clocks.policies[0] if self._clocks.policies else None

    def _policy_clocks(self) -> List[PolicyClock]:
        """Of each policy that was read."""
        policies: List[PolicyClock] = []
        for policy in self._clocks.policies:
            known = self._window.clocks.get(policy.name)
            if known is not None:
                policies.append(
                    {
                        "policy": policy.name,
                        "cores": list(policy.cores),
                        "max_hz": policy.max_hz,
                        "mean_hz": known.total_hz / known.readings,
                        "min_hz": known.min_hz,
                    }
                )
        return policies


def _names_of(interface: str, sys_root: str) -> List[str]:
    """What a kernel message about an interface may call it: its name, its device's bus address."""
    device = os.path.join(sys_root, "class/net", interface, "device")
    return [interface, os.path.basename(os.path.realpath(device)) if os.path.exists(device) else ""]
