"""The keeper: a detached process that puts this host back when the lease runs out without the controller.

It outlives the SSH session (own session, own control group where allowed, nothing of the channel held open), wakes
at least once a second to compare CLOCK_BOOTTIME with the deadline in the record, and decides under the same lock as
renewing: exactly one of the two wins.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import time
from typing import Any

from orchestrator.onhost import changes, lease
from orchestrator.onhost.cgroup import in_session_group, leave_session_group, remove_groups
from orchestrator.onhost.process import (
    close_all_but,
    is_alive,
    lock_memory,
    point_standard_files_at_null,
    raise_priority,
    set_process_name,
    started_ticks,
)
from orchestrator.onhost.record import Record, boot_id, boottime_ns
from orchestrator.onhost.refusal import Refusal

LONGEST_SLEEP_S = 1.0  # also the longest delay after a suspend, in which sleeping stands still
LOCK_PATIENCE_S = 10.0  # the one change under way when the lease ran out may end; all others are refused by then
AGAIN_AFTER_S = (2.0, 5.0, 10.0, 30.0, 60.0)  # an interface that vanished may come back
STOP_BOUND_S = 3.0


def start(record: Record) -> dict[str, Any]:
    """Start a keeper and register it in the record. Call it under the lock, with the lease saved already.

    Returns {pid, ticks, cgroup, in_session}; Refusal "keeper" when it does not come up.
    """
    told, tell = os.pipe()
    may_go, let_go = os.pipe()
    first = os.fork()
    if first == 0:
        _detach(record, tell, may_go)
    os.close(tell)
    os.close(may_go)
    try:
        with os.fdopen(told, "r", encoding="utf-8") as handle:
            words = handle.readline().split()
        os.waitpid(first, 0)
        if len(words) != 3:
            raise Refusal("keeper", "the process that would put this host back did not start")
        pid = int(words[0])
        keeper = {"pid": pid, "ticks": started_ticks(pid), "in_session": words[1] == "1", "cgroup": words[2].strip("-")}
        state = record.load()
        assert state is not None, "a keeper is only started for a lease"
        record.save({**state, "keeper": keeper})
        os.write(let_go, b"g")
        return keeper
    finally:
        os.close(let_go)


def alive(state: dict[str, Any]) -> bool:
    """Whether the keeper registered in the state runs."""
    keeper = state["keeper"]
    return keeper is not None and is_alive(keeper["pid"], keeper["ticks"])


def stop(state: dict[str, Any]) -> None:
    """End the keeper of a lease that is over, and what it made for itself; bounded."""
    keeper = state["keeper"]
    if keeper is None:
        return
    until = time.monotonic() + STOP_BOUND_S
    while is_alive(keeper["pid"], keeper["ticks"]) and time.monotonic() < until:
        with contextlib.suppress(ProcessLookupError):
            os.kill(keeper["pid"], signal.SIGKILL)  # it holds nothing that needs an orderly end
        time.sleep(0.002)
    remove_groups(keeper["cgroup"])


def _detach(record: Record, tell: int, may_go: int) -> None:
    """The child's side of `start`: fork once more, so that nobody waits for the keeper, and become it."""
    try:
        os.setsid()
        if os.fork() > 0:
            os._exit(0)
        _settle(tell)
        os.close(tell)
        if os.read(may_go, 1) == b"g":  # end of file: whoever started us is gone before it could register us
            os.close(may_go)
            _keep(record)
    finally:
        os._exit(0)


def _settle(tell: int) -> None:
    """Become a process that needs nothing of the one that started it, and say so."""
    for number in (signal.SIGHUP, signal.SIGINT, signal.SIGTERM, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.set_wakeup_fd(-1)
    set_process_name("linktrial-keep")
    os.chdir("/")
    group = ""
    with contextlib.suppress(OSError):  # not allowed without privilege; the caller is told by in_session
        group = leave_session_group()
    raise_priority()
    importlib.import_module("orchestrator.onhost.settings")  # now, not when the host is in trouble
    lock_memory()
    os.write(tell, f"{os.getpid()} {int(in_session_group())} {group or '-'}\n".encode())
    point_standard_files_at_null()


def _keep(record: Record) -> None:
    """Wait for the deadline, then put back; ends when the lease is over or another keeper took our place."""
    close_all_but({0, 1, 2})
    while True:
        state = record.load()
        if not _is_mine(state):
            return
        assert state is not None
        left_s = (state["deadline_ns"] - boottime_ns()) / lease.NS
        if left_s > 0:
            time.sleep(min(left_s, LONGEST_SLEEP_S))
        elif put_back_if_expired(record):
            break
    for pause_s in AGAIN_AFTER_S:
        time.sleep(pause_s)
        state = record.load()
        if not _is_mine(state) or state is None or state["standing"] != "left":
            return
        put_back_if_expired(record)


def put_back_if_expired(record: Record) -> bool:
    """Put the host back unless the lease was renewed meanwhile; whether it was due."""
    with contextlib.ExitStack() as stack:
        # One change may be stuck in the kernel with the lock in its hand. Every other one checks the deadline after
        # getting the lock, so none can begin any more, and the rest of the host must not wait for the stuck one.
        with contextlib.suppress(Refusal):
            stack.enter_context(record.locked(LOCK_PATIENCE_S))
        state = record.load()
        if state is None or state["boot_id"] != boot_id() or state["standing"] == "restored":
            return True
        if state["standing"] == "held" and boottime_ns() < state["deadline_ns"]:
            return False
        record.save(changes.put_back(state, "keeper"))
        return True


def _is_mine(state: dict[str, Any] | None) -> bool:
    return (state is not None and state["keeper"] is not None and state["keeper"]["pid"] == os.getpid()
            and state["standing"] in ("held", "left"))
