"""Whether this process's control group ran out of its CPU quota: then the process waits while its core looks idle.

Version 1 and 2 are found the same way: /proc/self/cgroup names the group, /proc/self/mountinfo where its files are. A
quota on any group above throttles us as well, so all of them are read and the worst counts.
Formats: Documentation/admin-guide/cgroup-v2.rst (cpu.stat), scheduler/sched-bwc.rst.
"""

from __future__ import annotations

import os
from typing import Dict, List, NamedTuple, Optional, Tuple

from orchestrator.onhost.watch.files import KeptFile, read_once


class Periods(NamedTuple):
    """Enforcement periods of a quota since the group was made, and those in which it ran out."""

    total: int
    throttled: int


def quota_groups(proc_root: str = "/proc") -> List[str]:
    """Directories of the groups this process is in that may have a CPU quota, the innermost first."""
    memberships = read_once(os.path.join(proc_root, "self/cgroup")).decode("utf-8", "replace")
    mounts = read_once(os.path.join(proc_root, "self/mountinfo")).decode("utf-8", "replace")
    directories: List[str] = []
    for line in memberships.splitlines():
        _, controllers, group = line.split(":", 2)
        if controllers and "cpu" not in controllers.split(","):
            continue
        mount = _mount_of(mounts, unified=not controllers)
        if mount is not None:
            directories.extend(_chain(mount, group))
    return directories


def _mount_of(mountinfo: str, unified: bool) -> Optional[Tuple[str, str]]:
    """(root within the hierarchy, mount point) of version 2, or of version 1's cpu controller."""
    for line in mountinfo.splitlines():
        head, separator, tail = line.partition(" - ")
        fields = head.split()
        kind, _, options = [*tail.split(), "", "", ""][:3]
        if not separator or len(fields) < 5:
            continue
        if (unified and kind == "cgroup2") or (not unified and kind == "cgroup" and "cpu" in options.split(",")):
            return fields[3], fields[4].replace("\\040", " ")
    return None


def _chain(mount: Tuple[str, str], group: str) -> List[str]:
    """The group's directory and those above it, up to the mount point."""
    root, point = mount
    inside = group[len(root) :] if root != "/" and group.startswith(root) else group
    parts = [part for part in inside.split("/") if part]
    if ".." in parts:  # the group lies outside what this namespace shows
        parts = []
    return [os.path.join(point, *parts[:length]) for length in range(len(parts), -1, -1)]


def parse_periods(cpu_stat: bytes) -> Optional[Periods]:
    """Periods from cpu.stat; None for a group that has no such count (the root group of version 2)."""
    values: Dict[bytes, int] = {}
    for line in cpu_stat.splitlines():
        name, _, value = line.partition(b" ")
        if value.strip().isdigit():
            values[name] = int(value)
    if b"nr_periods" not in values:
        return None
    return Periods(values[b"nr_periods"], values.get(b"nr_throttled", 0))


class Quotas:
    """The quota counts of all groups this process is in."""

    def __init__(self, proc_root: str = "/proc") -> None:
        """Opens the files of every group that has them."""
        kept = [KeptFile(os.path.join(directory, "cpu.stat")) for directory in quota_groups(proc_root)]
        self._files = [file for file in kept if file.is_open]

    def read(self) -> List[Periods]:
        """Counts now, in a fixed order of groups; one without a count reads (0, 0)."""
        return [parse_periods(file.read()) or Periods(0, 0) for file in self._files]

    def close(self) -> None:
        """Give all descriptors back."""
        for file in self._files:
            file.close()


def throttled_ratio(before: List[Periods], after: List[Periods]) -> Optional[float]:
    """The worst group's share of periods that ran out of quota; None where no quota was enforced at all."""
    ratios = [
        (late.throttled - early.throttled) / (late.total - early.total)
        for early, late in zip(before, after)
        if late.total > early.total
    ]
    return max(ratios, default=None)
