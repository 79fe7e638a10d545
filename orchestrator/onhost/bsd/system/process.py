"""What a process of ours does about itself and knows of others, where there is no /proc and no prctl: by ps(1)."""

from __future__ import annotations

import calendar
import contextlib
import ctypes
import functools
import os
import re
import signal
import time
from typing import Dict, Iterator, NamedTuple

from orchestrator.onhost.bsd.tools import output_of

_MCL_CURRENT, _MCL_FUTURE = 1, 2  # sys/mman.h
# More than any socket of ours waits at once: a call that a signal interrupts begins its waiting anew.
_LOOK_FOR_PARENT_S = 1.0
_STARTED = "%a %b %d %H:%M:%S %Y"  # lstart in the C locale, ps(1)
_STARTED_WORDS = 5
_NOTED = re.compile(r"(?:^|\s)SSH_CONNECTION=(\S+ \d+ \S+ \d+)(?:\s|$)")
_own_start: Dict[int, int] = {}  # by pid: a fork does not inherit it by mistake


def die_with_parent(parent_pid: int) -> None:
    """End this process within a second of its parent's end; exits at once when the parent is gone already.

    By a timer, because the family has no call for it in common. Like the kernel's wish on Linux it is cleared by every
    fork. Not for a process that becomes another program: the timer would stay and its signal end that one.
    """
    signal.signal(signal.SIGALRM, functools.partial(_end_without, parent_pid))
    signal.setitimer(signal.ITIMER_REAL, _LOOK_FOR_PARENT_S, _LOOK_FOR_PARENT_S)
    _end_without(parent_pid)


def _end_without(parent_pid: int, *_: object) -> None:
    if os.getppid() != parent_pid:
        os._exit(1)


def set_process_name(name: str) -> None:
    """What `ps` shows, so that the owner of a host sees what is there."""
    with contextlib.suppress(AttributeError):
        ctypes.CDLL(None).setproctitle(b"-%s", name.encode())


def lock_memory() -> bool:
    """Keep what this process uses in memory; False where the system does not allow it."""
    return bool(ctypes.CDLL(None, use_errno=True).mlockall(_MCL_CURRENT | _MCL_FUTURE) == 0)


def raise_priority() -> bool:
    """Run before ordinary processes; False where not allowed. What is killed for want of memory cannot be chosen."""
    try:
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    except OSError:
        return False
    return True


def started_ticks(pid: int) -> int:
    """When a process started, in seconds of the wall clock; 0 when there is none. Tells a reused pid apart.

    A number that is given again within a second would need all others to be given in it.
    """
    if pid in _own_start and pid == os.getpid():
        return _own_start[pid]
    words = output_of(["ps", "-o", "state=", "-o", "lstart=", "-p", str(pid)]).split()
    if len(words) <= _STARTED_WORDS or words[0].startswith("Z"):  # a zombie is dead
        return 0
    try:
        started = calendar.timegm(time.strptime(" ".join(words[-_STARTED_WORDS:]), _STARTED))
    except ValueError:
        return 0
    if pid == os.getpid():
        _own_start[pid] = started
    return started


def is_alive(pid: int, ticks: int) -> bool:
    """Whether the very process that had this pid and start time still runs."""
    return pid > 0 and ticks > 0 and started_ticks(pid) == ticks


def session_members(session: int) -> list[int]:
    """The processes of a session. Some of the family do not tell a process about other sessions than its own."""
    found = []
    for each in _all_processes():
        with contextlib.suppress(OSError):
            if os.getsid(each.pid) == session:
                found.append(each.pid)
    return found


def group_members(group: int, _: str, started: int = 0) -> list[int]:
    """The processes of a group of ours, whose first one started at `started`.

    A group's number is not given again while one of it lives; when the first one lives it must be the one that was
    meant. By that, and by running Python, and not by name: not all of the family let a process choose how it is called.
    """
    if started_ticks(group) not in (0, started):
        return []
    return [each.pid for each in _all_processes() if each.group == group and each.name.startswith("python")]


def children_named(_: int, __: str) -> list[int]:
    """None: not all of the family let a process choose how it is called, and others must not be ended by mistake."""
    return []


class _Process(NamedTuple):
    pid: int
    group: int
    name: str


def _all_processes() -> Iterator[_Process]:
    for line in output_of(["ps", "-ax", "-o", "pid=", "-o", "pgid=", "-o", "comm="]).splitlines():
        words = line.split(None, 2)
        if len(words) > 1 and words[0].isdigit() and words[1].isdigit():
            yield _Process(int(words[0]), int(words[1]), os.path.basename("".join(words[2:])))


def close_all_but(kept: set[int]) -> None:
    """Close every descriptor except `kept`: an SSH channel never ends while a stray process holds its pipe."""
    first = 0
    for number in [*sorted(kept), os.sysconf("SC_OPEN_MAX")]:
        if first < number:  # some Pythons close everything when the range is empty
            os.closerange(first, number)
        first = number + 1


def process_name(pid: int) -> str:
    """What a process is called; empty when it is gone."""
    return os.path.basename(output_of(["ps", "-o", "comm=", "-p", str(pid)]).strip())


def parent_of(pid: int) -> int:
    """The process that started this one; 0 when there is none."""
    text = output_of(["ps", "-o", "ppid=", "-p", str(pid)]).strip()
    return int(text) if text.isdigit() else 0


def ssh_connection_of(pid: int) -> str:
    """What the SSH server noted in a process's environment; empty when it did not, or the process is not ours."""
    if pid == os.getpid():
        return os.environ.get("SSH_CONNECTION", "")
    noted = _NOTED.search(output_of(["ps", "-e", "-ww", "-o", "command=", "-p", str(pid)]))
    return noted[1] if noted else ""
