"""This start of the host: what tells it from another, its clock, and what it forgets with the next. On Linux.

A host of the BSD family runs bsd/boot.py in its place.
"""

from __future__ import annotations

import os
import time

FAMILY = "linux"


def boottime_ns() -> int:
    """CLOCK_BOOTTIME in nanoseconds: counts suspend, does not follow the wall clock."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def boot_id() -> str:
    """What tells one start of this host from the next."""
    with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as handle:
        return handle.read().strip()


def record_folder() -> str:
    """Where root's record lies: a memory file system that a reboot empties, as it does the settings."""
    return "/run/linktrial"


def network_namespace() -> int:
    """What tells hosts apart that share one kernel."""
    return os.stat("/proc/self/ns/net").st_ino
