"""The machine under the interfaces: kernel and its configuration, memory, clocks, heat, power."""

from __future__ import annotations

import hashlib
import os
import zlib
from typing import Any, Dict, List, Optional

from orchestrator.onhost.survey.roots import Roots, found, text_of
from orchestrator.onhost.watch.clocks import Clocks

_MOST_CONFIGURATION_BYTES = 1 << 21
_GZIP_FORMAT = 31  # window bits of zlib that mean a gzip header and the largest window


def read_machine(roots: Roots, release: str) -> Dict[str, Any]:
    """Everything about the machine; clocks in kHz as the kernel counts them, temperatures in degrees Celsius."""
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
        kept = text_of(path, _MOST_CONFIGURATION_BYTES)
        if kept:
            return kept
    try:
        with open(f"{roots.proc}/config.gz", "rb") as handle:
            packed = handle.read(_MOST_CONFIGURATION_BYTES)
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


def _policies(roots: Roots) -> List[Dict[str, Any]]:
    read = []
    for path in found(f"{roots.sys}/devices/system/cpu/cpufreq/policy*"):
        numbers = {
            key: text_of(f"{path}/{file}")
            for key, file in {
                "min_khz": "scaling_min_freq",
                "max_khz": "scaling_max_freq",
                "now_khz": "scaling_cur_freq",
                "hardware_max_khz": "cpuinfo_max_freq",
            }.items()
        }
        read.append(
            {
                "policy": os.path.basename(path),
                "cores": text_of(f"{path}/affected_cpus"),
                "governor": text_of(f"{path}/scaling_governor"),
                "driver": text_of(f"{path}/scaling_driver"),
                "governors": text_of(f"{path}/scaling_available_governors").split(),
                **{key: int(text) if text.isdigit() else None for key, text in numbers.items()},
            }
        )
    return read


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
