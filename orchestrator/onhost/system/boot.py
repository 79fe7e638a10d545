"""This start of the host: what tells it from another, its clock, and what it forgets with the next. On Linux.

A host of the BSD family runs bsd/system/boot.py in its place.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import stat
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


def user_record_folder(uid: int) -> str:
    """Where an ordinary user's record lies: also in a memory file system, and where nobody else can take its name.

    `/run/user/UID` only where it outlives the user's last session (`loginctl enable-linger`): the session manager
    otherwise takes it away ten seconds after that, and with it what the watchdog is to restore.
    """
    own = f"/run/user/{uid}"
    with contextlib.suppress(OSError, KeyError):
        seen = os.lstat(own)
        lingers = os.path.exists(f"/var/lib/systemd/linger/{pwd.getpwuid(uid).pw_name}")
        if lingers and stat.S_ISDIR(seen.st_mode) and seen.st_uid == uid and not seen.st_mode & 0o077:
            return f"{own}/linktrial"
    return f"/tmp/linktrial-{uid}"  # noqa: S108 - made 0700 and checked to be this user's own


def network_namespace() -> int:
    """What tells hosts apart that share one kernel."""
    return os.stat("/proc/self/ns/net").st_ino
