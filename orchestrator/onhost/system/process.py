"""What a process of ours does about itself and knows of others: die with its parent, be told from another. On Linux.

A host of the BSD family runs bsd/system/process.py in its place.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
from typing import Iterator

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_PR_SET_NAME = 15
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4  # asm-generic/mman.h


def die_with_parent(parent_pid: int) -> None:
    """Have the kernel kill this process when its parent ends; exits at once when the parent is gone already.

    Call it right after fork(): the wish is cleared by every fork, so grandchildren call it for themselves.
    """
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent_pid:  # the parent ended between fork() and here: no signal will come
        os._exit(1)


def set_process_name(name: str) -> None:
    """The name `ps` and `top` show (15 bytes), so that the owner of a host sees what is there."""
    ctypes.CDLL(None).prctl(_PR_SET_NAME, name.encode()[:15], 0, 0, 0)


def lock_memory() -> bool:
    """Keep what this process has used in memory; False where the system does not allow it."""
    return bool(ctypes.CDLL(None, use_errno=True).mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0)


def raise_priority() -> bool:
    """Run before ordinary processes and be the last to be killed for want of memory; False where not allowed."""
    allowed = True
    try:
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    except OSError:
        allowed = False
    try:
        with open("/proc/self/oom_score_adj", "w", encoding="ascii") as handle:
            handle.write("-1000")
    except OSError:
        allowed = False
    return allowed


def started_ticks(pid: int) -> int:
    """When a process started, in clock ticks since the boot; 0 when there is none. Tells a reused pid apart."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as handle:
            after_name = handle.read().rpartition(")")[2].split()
        return 0 if after_name[0] in "ZX" else int(after_name[19])  # field 22 of proc_pid_stat(5); a zombie is dead
    except (OSError, ValueError, IndexError):
        return 0


def is_alive(pid: int, ticks: int) -> bool:
    """Whether the very process that had this pid and start time still runs."""
    return pid > 0 and ticks > 0 and started_ticks(pid) == ticks


def session_members(session: int) -> list[int]:
    """The processes of a session, which grandchildren belong to whatever group they are in."""
    return [pid for pid, _, fields in _all_processes() if fields[3] == str(session)]


def group_members(group: int, name: str, _: int = 0) -> list[int]:
    """The processes of a group that go by `name` (see set_process_name)."""
    return [pid for pid, called, fields in _all_processes() if fields[2] == str(group) and called == name]


def children_named(parent: int, name: str) -> list[int]:
    """The living processes that `parent` has started and that go by `name` (see set_process_name)."""
    return [
        pid
        for pid, called, fields in _all_processes()
        if fields[1] == str(parent) and called == name and fields[0] not in "ZX"
    ]


def _all_processes() -> Iterator[tuple[int, str, list[str]]]:
    """Each process with its name and the fields of /proc/PID/stat after it (proc_pid_stat(5), from field 3)."""
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            try:
                with open(f"/proc/{entry}/stat", encoding="utf-8", errors="replace") as handle:
                    head, _, tail = handle.read().rpartition(")")
            except OSError:
                continue
            yield int(entry), head.partition("(")[2], tail.split()


def close_all_but(kept: set[int]) -> None:
    """Close every descriptor except `kept`: an SSH channel never ends while a stray process holds its pipe."""
    for name in os.listdir("/proc/self/fd"):
        number = int(name)
        if number not in kept:
            with contextlib.suppress(OSError):
                os.close(number)


def process_name(pid: int) -> str:
    """What a process is called; empty when it is gone."""
    try:
        with open(f"/proc/{pid}/comm", encoding="utf-8", errors="replace") as handle:
            return handle.read().strip()
    except OSError:
        return ""


def parent_of(pid: int) -> int:
    """The process that started this one; 0 when there is none."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as handle:
            return int(handle.read().rpartition(")")[2].split()[1])
    except (OSError, ValueError, IndexError):
        return 0


def ssh_connection_of(pid: int) -> str:
    """What the SSH server noted in a process's environment; empty when it did not, or the process is not ours."""
    with contextlib.suppress(OSError), open(f"/proc/{pid}/environ", "rb") as handle:
        for entry in handle.read().split(b"\0"):
            if entry.startswith(b"SSH_CONNECTION="):
                return entry.partition(b"=")[2].decode("ascii", errors="replace")
    return ""
