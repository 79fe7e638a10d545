"""This start of a host of the BSD family: what tells it from another, its clock, and what it forgets with the next."""

from __future__ import annotations

import functools
import re
import time
import zlib

from orchestrator.onhost.bsd.tools import octets_of, output_of
from orchestrator.onhost.netlink.links import links

FAMILY = "bsd"
# CLOCK_BOOTTIME counts the time asleep. Where there is none CLOCK_MONOTONIC stands in, which every system of the family
# has: some stop it (and CLOCK_UPTIME, therefore not asked for) while the host sleeps, and the lease lasts that much
# longer. It is never shorter, and it ends: nobody measures on a host that sleeps.
_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
_ID_BYTES = 16
_BOOTTIME = re.compile(r"sec = (\d+), usec = (\d+)")  # FreeBSD's form; others print a number or a date


def boottime_ns() -> int:
    """The clock of leases, in nanoseconds: does not follow the wall clock."""
    return time.clock_gettime_ns(_CLOCK)


@functools.lru_cache(maxsize=None)
def boot_id() -> str:
    """What tells one start of this host from the next. Raises OSError where the host does not say.

    A random number where the kernel has made one. kern.boottime is the wall clock less the time since the start: it
    moves when the wall clock is set. No process outlives its start, so each asks once, and a watchdog has it from the
    process that took the lease: a clock that is set in the middle never keeps it from restoring. A new session may
    take the start for another one then; what a start may have kept stays on the record for that (settings/catalogue).
    """
    made = random_id()
    if made:
        return made
    said = output_of(["sysctl", "-n", "kern.boottime"]).strip()
    if not said:
        raise OSError("sysctl does not tell kern.boottime")
    found = _BOOTTIME.search(said)
    return f"boottime-{found[1]}.{found[2]}" if found else f"boottime-{said}"


def random_id() -> str:
    """kern.boot_id in hex (FreeBSD from 13 on), whose octets sysctl(8) prints with -b; empty without."""
    octets = octets_of(["sysctl", "-b", "kern.boot_id"])
    return octets.hex() if len(octets) == _ID_BYTES else ""


def record_folder() -> str:
    """Where root's record lies; most of the family empty this folder when they start."""
    return "/var/run/linktrial"


def user_record_folder(uid: int) -> str:
    """Where an ordinary user's record lies."""
    return f"/tmp/linktrial-{uid}"  # noqa: S108 - made 0700 and checked to be this user's own


def network_namespace() -> int:
    """What tells hosts apart that start in one second: their hardware addresses."""
    return zlib.crc32(",".join(sorted(link["mac"] for link in links())).encode())
