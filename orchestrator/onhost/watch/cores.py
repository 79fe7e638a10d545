"""What /proc says about the processor cores: time by kind, network softirqs, backlog drops, the interface's interrupts.

Times are counted by timer ticks (USER_HZ), so figures over less than a second are coarse, and work inside interrupts is
booked to whatever the tick interrupted: support for a finding, not its proof.
Formats: Documentation/filesystems/proc.rst of the kernel; softnet_stat: net/core/net-procfs.c.
"""

from __future__ import annotations

import os
import re
from typing import Dict, List, NamedTuple, Optional, Set

from orchestrator.onhost.watch.files import read_once

_SOFTNET_CORE_COLUMN = 12  # the 13th: lines exist only for cores that are online, so their order proves nothing


class CoreTimes(NamedTuple):
    """Ticks of one core since boot. `total` leaves guest time out: it is already part of user and nice."""

    total: int
    idle: int
    irq: int
    softirq: int
    steal: int


class CoreShares(NamedTuple):
    """Shares (0..1) of one core's time between two readings."""

    busy: float
    softirq: float
    irq: float
    steal: float


def parse_core_times(stat: bytes) -> Dict[int, CoreTimes]:
    """Core number -> ticks, from the cpuN lines of /proc/stat."""
    times: Dict[int, CoreTimes] = {}
    for line in stat.split(b"\n"):
        if not line.startswith(b"cpu") or line[3:4] == b" ":
            continue
        name, *columns = line.split()
        ticks = [int(column) for column in columns[:8]] + [0] * (8 - len(columns[:8]))
        times[int(name[3:])] = CoreTimes(sum(ticks), ticks[3] + ticks[4], ticks[5], ticks[6], ticks[7])
    return times


def core_shares(before: CoreTimes, after: CoreTimes) -> Optional[CoreShares]:
    """Shares between two readings, or None when no tick passed. Waiting for disks may count backwards: clamped."""
    total = after.total - before.total
    if total <= 0:
        return None

    def share(ticks: int) -> float:
        return min(max(ticks / total, 0.0), 1.0)

    return CoreShares(
        share(total - (after.idle - before.idle)),
        share(after.softirq - before.softirq),
        share(after.irq - before.irq),
        share(after.steal - before.steal),
    )


def parse_net_softirqs(softirqs: bytes) -> Dict[int, int]:
    """Core number -> network receive softirqs since boot. Rows are found by name: old kernels have fewer."""
    lines = softirqs.split(b"\n")
    cores = [int(name[3:]) for name in lines[0].split() if name.startswith(b"CPU")]
    for line in lines[1:]:
        name, _, counts = line.strip().partition(b":")
        if name == b"NET_RX":
            return dict(zip(cores, (int(count) for count in counts.split())))
    return {}


class Softnet(NamedTuple):
    """Frames the kernel's backlog had no room for, and times it ran out of its budget, since boot."""

    dropped: int
    squeezed: int


def parse_softnet(softnet_stat: bytes) -> Dict[int, Softnet]:
    """Core number -> backlog counts. Kernels without a core column (before 5.10) are read by line."""
    found: Dict[int, Softnet] = {}
    for number, line in enumerate(softnet_stat.split(b"\n")):
        columns = line.split()
        if len(columns) < 3:
            continue
        core = int(columns[_SOFTNET_CORE_COLUMN], 16) if len(columns) > _SOFTNET_CORE_COLUMN else number
        found[core] = Softnet(int(columns[1], 16), int(columns[2], 16))
    return found


def interrupt_numbers(interface: str, interrupts: bytes, sys_root: str = "/sys") -> Set[str]:
    """The interrupts that serve an interface: those of its device or the bus it hangs on, and those that bear its name.

    A USB card has none of its own; its controller's count. A virtual interface has none at all.
    """
    device = os.path.realpath(os.path.join(sys_root, "class/net", interface, "device"))
    numbers = _device_interrupts(device, os.path.realpath(sys_root))
    names = re.compile(
        rb"\b(?:%s)\b" % b"|".join(re.escape(os.fsencode(name)) for name in (interface, os.path.basename(device)))
    )
    for line in interrupts.split(b"\n"):
        number, _, rest = line.strip().partition(b":")
        if number.isdigit() and names.search(rest):
            numbers.add(number.decode())
    return numbers


def _device_interrupts(device: str, top: str) -> Set[str]:
    """Interrupt numbers that sysfs gives for a device, or for the nearest device above it."""
    while len(device) > len(top):
        try:
            return set(os.listdir(os.path.join(device, "msi_irqs")))
        except OSError:
            single = read_once(os.path.join(device, "irq")).strip()
            if single.isdigit() and single != b"0":
                return {single.decode()}
        device = os.path.dirname(device)
    return set()


def parse_interrupts(interrupts: bytes, numbers: Set[str]) -> Dict[int, int]:
    """Core number -> interrupts with one of these numbers since boot. The header names the cores that are online."""
    lines = interrupts.split(b"\n")
    cores = [int(name[3:]) for name in lines[0].split() if name.startswith(b"CPU")]
    counts: Dict[int, int] = {}
    for line in lines[1:]:
        number, _, rest = line.strip().partition(b":")
        if number.decode("ascii", "replace") not in numbers:
            continue
        for core, count in zip(cores, rest.split()):
            counts[core] = counts.get(core, 0) + int(count)
    return counts


def busiest(counts: Dict[int, int]) -> Optional[int]:
    """The core with the largest count, None when nothing was counted; the lowest number wins a tie."""
    cores: List[int] = [core for core in sorted(counts) if counts[core] > 0]
    return max(cores, key=lambda core: counts[core]) if cores else None


def increase(before: Dict[int, int], after: Dict[int, int]) -> Dict[int, int]:
    """What was added per core; a core that came online in between starts from nothing."""
    return {core: count - before.get(core, 0) for core, count in after.items()}
