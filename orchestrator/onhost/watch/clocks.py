"""Clocks and heat: what the frequency policies run at, how warm the machine is, how often it throttled itself.

sysfs gives clocks in kHz and temperatures in thousandths of a degree Celsius (Documentation/admin-guide/pm/cpufreq.rst,
driver-api/thermal/sysfs-api.rst, hwmon/sysfs-interface.rst).
"""

from __future__ import annotations

import glob
import os
from typing import Dict, NamedTuple, Optional, Tuple

from orchestrator.onhost.system.core_list import parse_core_list
from orchestrator.onhost.watch.files import KeptFile, read_once

_CPU = "devices/system/cpu"
SIMULATED_MARK = _CPU + "/cpufreq/simulated"  # the lab's: a clock tied to a CPU quota, not a crystal
_PLAUSIBLE_CELSIUS = (-40.0, 150.0)  # sensors that are not connected report values outside


class Policy(NamedTuple):
    """One frequency policy: the cores that share a clock."""

    name: str
    cores: Tuple[int, ...]
    max_hz: Optional[int]
    current: KeptFile


class Clocks:
    """The clocks of all policies, the temperatures and the throttle counters of one machine."""

    def __init__(self, sys_root: str = "/sys") -> None:
        """Finds what the machine has; a machine without frequency scaling has no policies."""
        self.policies = [_policy(path) for path in sorted(glob.glob(sys_root + "/" + _CPU + "/cpufreq/policy*"))]
        self.simulated = os.path.exists(os.path.join(sys_root, SIMULATED_MARK))
        self._temperatures = [
            KeptFile(path)
            for pattern in ("class/thermal/thermal_zone*/temp", "class/hwmon/hwmon*/temp*_input")
            for path in sorted(glob.glob(os.path.join(sys_root, pattern)))
        ]
        self._throttles = [
            KeptFile(path)
            for path in sorted(glob.glob(os.path.join(sys_root, _CPU, "cpu[0-9]*/thermal_throttle/*_throttle_count")))
        ]

    def read_hz(self) -> Dict[str, int]:
        """Policy name -> clock now, Hz. A policy that does not answer is left out."""
        clocks = {}
        for policy in self.policies:
            khz = policy.current.number()
            if khz is not None:
                clocks[policy.name] = khz * 1000
        return clocks

    def read_celsius(self) -> Optional[float]:
        """The warmest sensor, or None without one that answers."""
        readings = [value / 1000 for value in (sensor.number() for sensor in self._temperatures) if value is not None]
        low, high = _PLAUSIBLE_CELSIUS
        return max((reading for reading in readings if low < reading < high), default=None)

    def read_throttles(self) -> Optional[int]:
        """How often the processor throttled itself for heat since boot, summed; None where it does not count."""
        counts = [count for count in (counter.number() for counter in self._throttles) if count is not None]
        return sum(counts) if counts else None

    def close(self) -> None:
        """Give all descriptors back."""
        for kept in [policy.current for policy in self.policies] + self._temperatures + self._throttles:
            kept.close()


def _policy(path: str) -> Policy:
    cores = parse_core_list(read_once(os.path.join(path, "affected_cpus")).decode("ascii", "replace"))
    highest = read_once(os.path.join(path, "cpuinfo_max_freq")).strip()
    return Policy(
        os.path.basename(path),
        cores,
        int(highest) * 1000 if highest.isdigit() else None,
        KeptFile(os.path.join(path, "scaling_cur_freq")),
    )
