"""Who holds this host's lock: noted in the lock's own file by whoever gets it, told to whoever waits in vain."""

from __future__ import annotations

import contextlib
import os

from orchestrator.onhost.safety.answers import LockHolder
from orchestrator.onhost.system.boot import boottime_ns
from orchestrator.onhost.system.process import process_name, started_ticks

_NS = 1_000_000_000
_LONGEST_BYTES = 100


def note_holder(lock: int) -> None:
    """Write into the locked file who has it since when; a full disk keeps nobody from going on."""
    now_ns = boottime_ns()
    with contextlib.suppress(OSError):
        os.ftruncate(lock, 0)
        os.pwrite(lock, f"{os.getpid()} {started_ticks(os.getpid())} {now_ns}\n".encode(), 0)


def holder(path: str) -> LockHolder:
    """Whoever locked the file last; {} when it has not said so."""
    try:
        with open(path, "rb") as handle:
            pid, ticks, since_ns = (int(word) for word in handle.read(_LONGEST_BYTES).split())
    except (OSError, ValueError):
        return {}
    held_s = (boottime_ns() - since_ns) / _NS
    return {"pid": pid, "name": process_name(pid), "held_s": held_s, "alive": started_ticks(pid) == ticks}


def in_words(found: LockHolder) -> str:
    """The same for a person."""
    if not found:
        return "who holds the host's lock is not known"
    if found["alive"]:
        return f"process {found['pid']} ({found['name']}) has held the host's lock for {found['held_s']:.0f} s"
    return (
        f"process {found['pid']}, which took the host's lock {found['held_s']:.0f} s ago, is gone, but something "
        "that it started holds on to it"
    )
