"""Who can be killed, and how it is found: processes of one lab host, told from all others by its PID namespace."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Iterator
from pathlib import Path

from orchestrator.lab.places import Place

HELPER, WATCHDOG, SSH_SERVER = "linktrial", "linktrial-wdog", "sshd"


def processes(place: Place) -> dict[int, tuple[str, int]]:
    """Process number -> (name, parent) of everything in a host but its first process."""
    found = {}
    own = _namespace(place.pid)
    for entry in os.listdir("/proc"):  # noqa: PTH208 - thousands of times, and Path objects cost more than the listing
        pid = int(entry) if entry.isdigit() else 0
        if pid and pid != place.pid and _namespace(pid) == own:
            with contextlib.suppress(OSError):
                name, _, rest = Path(f"/proc/{pid}/stat").read_text().partition("(")[2].rpartition(")")
                if rest.split()[0] not in "ZX":
                    found[pid] = (name, int(rest.split()[1]))
    return found


def helper(place: Place) -> list[int]:
    """The helper of the one session: it was started by the SSH server, its jobs by itself."""
    there = processes(place)
    return [
        pid
        for pid, (name, parent) in there.items()
        if name == HELPER and there.get(parent, ("", 0))[0].startswith(SSH_SERVER)
    ]


def session(place: Place) -> list[int]:
    """The SSH server's process for the session."""
    there = processes(place)
    return [there[pid][1] for pid in helper(place) if pid in there]


def watchdog(place: Place) -> list[int]:
    """Both processes of the watchdog; the guard first."""
    there = processes(place)
    mine = [pid for pid, (name, _) in there.items() if name == WATCHDOG]
    return sorted(mine, key=lambda pid: there[pid][1] in mine)


def guard(place: Place) -> list[int]:
    """The watchdog's first process alone."""
    return watchdog(place)[:1]


def twin(place: Place) -> list[int]:
    """The watchdog's second process alone."""
    return watchdog(place)[1:]


def everything(place: Place) -> list[int]:
    """All but what a host needs to be reached again: its first process and the SSH server that listens."""
    there = processes(place)
    return [pid for pid, (name, parent) in there.items() if not (name == SSH_SERVER and parent == place.pid)]


def kill(pids: list[int]) -> None:
    """SIGKILL."""
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def kill_everything(place: Place) -> None:
    """A power loss that leaves the settings: also what was being forked meanwhile."""
    while left := everything(place):
        kill(left)


def ours(place: Place) -> Iterator[str]:
    """Whatever of ours runs on a host or lies there."""
    yield from (name for name, _ in processes(place).values() if name.startswith(HELPER))
    if place.path("/run/linktrial").exists():
        yield "/run/linktrial"


def _namespace(pid: int) -> str:
    try:
        return os.readlink(f"/proc/{pid}/ns/pid")  # noqa: PTH115 - as above
    except OSError:
        return ""
