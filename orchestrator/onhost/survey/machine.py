"""The machine: kernel and its configuration, memory, clocks, heat, power."""

from __future__ import annotations

import hashlib
import os
import zlib
from typing import List, Optional, TypedDict

from orchestrator.onhost.survey.roots import Roots, found, text_of, whole_of
from orchestrator.onhost.watch.clocks import Clocks

_MAX_CONFIGURATION_BYTES = 1 << 21
_GZIP_FORMAT = 31  # window bits of zlib that mean a gzip header and the largest window


class ClockPolicy(TypedDict):
    """A frequency policy of cores, clocks in kHz as the kernel counts them."""

    policy: str
    cores: str
    governor: str
    driver: str
    governors: List[str]
    min_khz: Optional[int]
    max_khz: Optional[int]
    now_khz: Optional[int]
    hardware_max_khz: Optional[int]


class Machine(TypedDict):
    """The machine itself, temperatures in degrees Celsius."""

    boot_parameters: str
    configuration_sha256: str
    memory_bytes: int
    processor: str
    policies: List[ClockPolicy]
    clock_simulated: bool
    throttles: Optional[int]
    temperature_max_c: Optional[float]
    temperature_limit_c: Optional[float]
    under_voltage: List[str]
    idle_states: int


def read_machine(roots: Roots, release: str) -> Machine:
    """Everything about the machine."""
    configuration = kernel_configuration(roots, release)
    memory = dict(line.split(":", 1) for line in text_of(f"{roots.proc}/meminfo").splitlines() if ":" in line)
    clocks = Clocks(roots.sys)
    try:
        throttles, celsius = clocks.read_throttles(), clocks.read_celsius()
    finally:
        clocks.close()
    return {
        "boot_parameters": text_of(f"{roots.proc}/cmdline"),
        "configuration_sha256": hashlib.sha256(configuration.encode()).hexdigest() if configuration else "",
        "memory_bytes": _kibibytes(memory.get("MemTotal", "")),
        "processor": _processor(roots),
        "policies": _policies(roots),
        "clock_simulated": clocks.simulated,
        "throttles": throttles,
        "temperature_max_c": celsius,
        "temperature_limit_c": _limit_celsius(roots),
        "under_voltage": _under_voltage(roots),
        "idle_states": len(found(f"{roots.sys}/devices/system/cpu/cpu0/cpuidle/state*")),
    }


def kernel_configuration(roots: Roots, release: str) -> str:
    """The running kernel's configuration as text; empty when the host does not keep it."""
    for path in (f"{roots.boot}/config-{release}", f"{roots.modules}/{release}/config"):
        kept = text_of(path, _MAX_CONFIGURATION_BYTES)
        if kept:
            return kept
    try:
        with open(f"{roots.proc}/config.gz", "rb") as handle:
            packed = handle.read(_MAX_CONFIGURATION_BYTES)
        return zlib.decompress(packed, _GZIP_FORMAT).decode("utf-8", "replace")
    except (OSError, zlib.error):
        return ""


def _kibibytes(text: str) -> int:
    number = text.split(maxsplit=1)[0] if text.split() else "0"
    return int(number) * 1024 if number.isdigit() else 0


def _processor(roots: Roots) -> str:
    """What the processor calls itself; boards say it under other names, and some not at all."""
    for line in text_of(f"{roots.proc}/cpuinfo").splitlines():
        name, _, value = line.partition(":")
        if name.strip() in ("model name", "Model", "Hardware", "cpu model") and value.strip():
            return value.strip()
    return ""


def _policies(roots: Roots) -> List[ClockPolicy]:
    return [
        {
            "policy": os.path.basename(path),
            "cores": text_of(f"{path}/affected_cpus"),
            "governor": text_of(f"{path}/scaling_governor"),
            "driver": text_of(f"{path}/scaling_driver"),
            "governors": text_of(f"{path}/scaling_available_governors").split(),
            "min_khz": whole_of(f"{path}/scaling_min_freq"),
            "max_khz": whole_of(f"{path}/scaling_max_freq"),
            "now_khz": whole_of(f"{path}/scaling_cur_freq"),
            "hardware_max_khz": whole_of(f"{path}/cpuinfo_max_freq"),
        }
        for path in found(f"{roots.sys}/devices/system/cpu/cpufreq/policy*")
    ]


def _limit_celsius(roots: Roots) -> Optional[float]:
    """The lowest temperature at which the kernel begins to slow the machine down, or None."""
    limits = []
    for kind in found(f"{roots.sys}/class/thermal/thermal_zone*/trip_point_*_type"):
        if text_of(kind) in ("passive", "hot", "critical"):
            value = text_of(kind[: -len("type")] + "temp")
            if value.lstrip("-").isdigit() and int(value) > 0:
                limits.append(int(value) / 1000)
    return min(limits) if limits else None


def _under_voltage(roots: Roots) -> List[str]:
    """The supplies whose sensor raises its alarm for too low a voltage."""
    alarms = [
        path
        for pattern in ("in*_lcrit_alarm", "in*_min_alarm")
        for path in found(f"{roots.sys}/class/hwmon/hwmon*/{pattern}")
    ]
    return [
        f"{text_of(os.path.join(os.path.dirname(path), 'name'))} {os.path.basename(path)}"
        for path in alarms
        if text_of(path) == "1"
    ]
