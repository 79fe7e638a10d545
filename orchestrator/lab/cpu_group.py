"""A control group with a CPU quota for the processes of one lab host, version 1 or 2, whichever the machine has.

Made on the machine itself as a group of our own, so only by root; no group that was there before is changed.
Formats: Documentation/scheduler/sched-bwc.rst, admin-guide/cgroup-v2.rst.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

PERIOD_US = 10_000  # short against a trial, so that a throttled host looks slow and not interrupted
_PREFIX = "linktrial-lab"


def place_for_groups() -> tuple[Path, int] | None:
    """Folder that takes new groups with a CPU quota, and the version; None where there is none for us."""
    if os.geteuid() != 0:
        return None
    for line in Path("/proc/self/mounts").read_text().splitlines():
        _, where, kind, options = line.split()[:4]
        root = Path(where)
        if kind == "cgroup" and "cpu" in options.split(",") and (root / "cpu.cfs_quota_us").exists():
            return (root, 1) if os.access(root, os.W_OK) else None
        # version 2 offers a quota only where the groups' owner has switched it on for its children
        if kind == "cgroup2" and "cpu" in _words(root / "cgroup.subtree_control"):
            return (root, 2) if os.access(root, os.W_OK) else None
    return None


def remove_left_over() -> None:
    """Remove groups of labs whose makers were killed before they could clean up."""
    place = place_for_groups()
    for folder in place[0].glob(f"{_PREFIX}-*-*") if place else ():
        maker = folder.name.removeprefix(f"{_PREFIX}-").split("-")[0]
        if not Path(f"/proc/{maker}").exists():
            with contextlib.suppress(OSError):  # its last process may still be ending
                folder.rmdir()


def group_folder(maker_pid: int, host: str) -> Path:
    """Where the group of a lab's host lies; `maker_pid` is the process that makes and removes it."""
    place = place_for_groups()
    return (place[0] if place else Path("/nonexistent")) / f"{_PREFIX}-{maker_pid}-{host}"


class CpuGroup:
    """One host's group. Its files are opened when it is made, and work in every mount namespace afterwards."""

    def __init__(self, host: str) -> None:
        """Make it, without a quota yet; OSError where that is not possible."""
        place = place_for_groups()
        if place is None:
            raise OSError("there are no control groups here that could give a host a CPU quota")
        self.version = place[1]
        self.folder = group_folder(os.getpid(), host)
        self.folder.mkdir()
        self._processes = os.open(self.folder / "cgroup.procs", os.O_WRONLY)
        self._quota = os.open(self.folder / ("cpu.cfs_quota_us" if self.version == 1 else "cpu.max"), os.O_WRONLY)
        if self.version == 1:
            (self.folder / "cpu.cfs_period_us").write_text(str(PERIOD_US))

    def enter(self) -> None:
        """Put this process, and so all it starts, under the quota."""
        os.write(self._processes, b"0")

    def set_share(self, share: float) -> None:
        """Grant this much of one core, e.g. 0.4."""
        microseconds = max(1000, round(share * PERIOD_US))  # the kernel's least quota is 1 ms
        text = f"{microseconds}" if self.version == 1 else f"{microseconds} {PERIOD_US}"
        os.write(self._quota, text.encode())

    def remove(self) -> None:
        """Remove it; its processes have ended."""
        with contextlib.suppress(OSError):
            self.folder.rmdir()


def _words(path: Path) -> list[str]:
    try:
        return path.read_text().split()
    except OSError:
        return []
