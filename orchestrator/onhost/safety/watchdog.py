"""The watchdog: a detached pair of processes that restores this host when the lease runs out without the controller.

They outlive the SSH session (own session, own control group where allowed, nothing of the channel held open). The
worker wakes at least once a second to compare CLOCK_BOOTTIME with the deadline in the record, and decides under the
same lock as renewing (that of renewed.py): exactly one of the two wins. The supervisor only waits for the worker to be
killed, and starts another; if it is killed itself, the worker takes its place. Only both at once leave a host to
`recover`.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import select
import signal
import time
from typing import Iterator, List, Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, probation, renewed, restoring
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from orchestrator.onhost.safety.state import LeaseState, Watchdog
from orchestrator.onhost.service.descriptors import point_standard_files_at_null
from orchestrator.onhost.system.cgroup import (
    in_session_group,
    leave_and_remove_groups,
    leave_session_group,
    remove_groups,
)
from orchestrator.onhost.system.process import (
    children_named,
    close_all_but,
    group_members,
    is_alive,
    lock_memory,
    raise_priority,
    session_members,
    set_process_name,
    started_ticks,
)

LONGEST_SLEEP_S = 1.0  # also the longest delay after a suspend, in which sleeping stands still
LOCK_PATIENCE_S = 10.0  # the one change under way when the lease ran out may end; all others are refused by then
AGAIN_AFTER_S = (2.0, 5.0, 10.0, 30.0, 60.0)  # an interface that vanished may come back
START_TIMEOUT_S = 15.0  # less than others wait for the lock
STOP_TIMEOUT_S = 3.0
TRAFFIC_NAME = "linktrial-load"  # what `ps` shows for the jobs that send and receive
TRAFFIC_GRACE_S = 0.3  # for the helper to end them at the deadline
_PAUSE_S, _LONGEST_PAUSE_S = 0.05, 5.0
PLAINLY_AFTER = 3  # turns in a row that have failed by an error of ours
_NAME = "linktrial-wdog"
MAX_WORKERS = 20  # one that dies again and again is killed by something that will not stop


def start(record: Record) -> Watchdog:
    """Start a watchdog and register it in the record. Call it under the lock, with the lease saved already.

    Refusal "watchdog" when it does not come up.
    """
    told, tell = os.pipe()
    may_go, let_go = os.pipe()
    first = os.fork()
    if first == 0:
        _detach(record, tell, may_go)
    os.close(tell)
    os.close(may_go)
    try:
        words = _first_words(told, first)
        if len(words) != 3:
            raise Refusal("watchdog", "the process that would restore this host did not start")
        watchdog = _registration(int(words[0]), words[1] == "1", words[2].strip("-"))
        _register(record, watchdog)
        os.write(let_go, b"g")
        return watchdog
    finally:
        os.close(let_go)


def _first_words(told: int, first: int) -> List[str]:
    """What the new watchdog says of itself; nothing when it takes too long, as others wait for the lock meanwhile."""
    with os.fdopen(told, "r", encoding="utf-8") as handle:
        words = handle.readline().split() if select.select([told], [], [], START_TIMEOUT_S)[0] else []
    if not words:
        with contextlib.suppress(ProcessLookupError):
            os.kill(first, signal.SIGKILL)
    os.waitpid(first, 0)
    return words


def alive(state: LeaseState) -> bool:
    """Whether the watchdog registered in the state runs."""
    watchdog = state["watchdog"]
    return watchdog is not None and is_alive(watchdog["pid"], watchdog["ticks"])


def stop(state: LeaseState) -> None:
    """End the watchdogs of a lease that is over, and what they made for themselves; bounded."""
    watchdog = state["watchdog"]
    if watchdog is None:
        return
    until = time.monotonic() + STOP_TIMEOUT_S
    while time.monotonic() < until:
        # also a worker whose supervisor was killed a moment ago
        members = group_members(watchdog["pid"], _NAME, watchdog["ticks"])
        for pid in sorted(members):  # the supervisor was first, and a worker needs a second to notice that it is alone
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        if not any(started_ticks(pid) for pid in members):
            break
        time.sleep(0.002)
    remove_groups(watchdog["cgroup"])


def restore_if_due(record: Record) -> bool:
    """Restore what is due, unless the lease was renewed meanwhile; whether the lease is over."""
    with contextlib.ExitStack() as stack:
        # One change may be stuck in the kernel with the lock in its hand. Every other one checks the deadline after
        # getting the lock, so none can begin any more, and the rest of the host must not wait for the stuck one.
        alone = True
        try:
            stack.enter_context(record.locked(LOCK_PATIENCE_S))
        except Refusal:
            alone = False
        state = record.load()
        if state is None or state["boot_id"] != boot_id() or state["standing"] == "restored":
            return True
        over = state["standing"] == "left" or _closed(record, state)
        waiting_ns = probation.left_ns(state, boottime_ns())
        if over and alone and lease.nothing_to_tell(state):
            record.remove()
            return True
        if over:
            owed = state["changes"]
            state = restoring.restored(state, "watchdog", record.save)
            if not alone:  # whoever has the lock may still come to its end: all of it is looked at again after that
                state = {**state, "standing": "left", "changes": owed}
        elif waiting_ns is not None and waiting_ns <= 0:
            waiting = state["probation"]
            assert waiting is not None, "it has a time left"
            state, outcome = restoring.restore_places(state, waiting["places"], "watchdog", record.save)
            if not alone:  # as above
                return False
            state = probation.failed(state, outcome)
        else:
            return False
        with contextlib.suppress(Refusal):  # a full disk: the host is back all the same, and `recover` will see it
            record.save(state)
        return over


def _closed(record: Record, state: LeaseState) -> bool:
    """Whether the lease is over; from then on no renewal can put that off."""
    with contextlib.ExitStack() as stack:
        note = -1
        with contextlib.suppress(Refusal):  # a full disk, or a process stopped in the middle of renewing
            note = stack.enter_context(renewed.locked(record.directory))
        last = renewed.read(record.directory)
        ours = last is not None and last.token == state["token"]
        deadline_ns = max(state["deadline_ns"], last.deadline_ns) if last is not None and ours else state["deadline_ns"]
        if boottime_ns() < deadline_ns:
            return False
        if last is not None and ours and note >= 0:
            with contextlib.suppress(Refusal):
                renewed.write(note, last._replace(closed=True))
        return True


def end_traffic(record: Record) -> None:
    """End what still sends or receives for a lease that is over: its helper has done so by now, unless it hangs."""
    last = renewed.read(record.directory)
    if last is None or not is_alive(last.helper_pid, last.helper_ticks):
        return  # its jobs ended with it
    until = time.monotonic() + TRAFFIC_GRACE_S
    while jobs := children_named(last.helper_pid, TRAFFIC_NAME):
        if time.monotonic() >= until:
            for pid in [one for job in jobs for one in session_members(job)]:
                with contextlib.suppress(OSError):
                    os.kill(pid, signal.SIGKILL)
            return
        time.sleep(_PAUSE_S)


def _detach(record: Record, tell: int, may_go: int) -> None:
    """The child's side of `start`: fork once more, so that nobody waits for the watchdog, and become it."""
    try:
        # Now, not later: the host's lock and the other end of `may_go` are open here, too. Whoever started us may be
        # killed before it lets us go, and a lock that we hold while waiting for an end of our own would stay for ever.
        close_all_but({0, 1, 2, tell, may_go})
        os.setsid()
        if os.fork() > 0:
            os._exit(0)
        os.setpgid(0, 0)
        _settle(tell)
        os.close(tell)
        if os.read(may_go, 1) == b"g":  # end of file: whoever started us is gone before it could register us
            close_all_but({0, 1, 2})
            _supervise(record)
    finally:
        os._exit(0)


def _settle(tell: int) -> None:
    """Become a process that needs nothing of the one that started it, and say so."""
    for number in (signal.SIGHUP, signal.SIGINT, signal.SIGTERM, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.set_wakeup_fd(-1)
    set_process_name(_NAME)
    os.chdir("/")
    group = ""
    with contextlib.suppress(OSError):  # not allowed without privilege; the caller is told by in_session
        group = leave_session_group()
    raise_priority()
    importlib.import_module("orchestrator.onhost.settings")  # now, not when the host is in trouble
    os.write(tell, f"{os.getpid()} {int(in_session_group())} {group or '-'}\n".encode())
    point_standard_files_at_null()


def _supervise(record: Record) -> None:
    """Have the work done by a worker, and start another when it is killed."""
    signal.signal(signal.SIGTERM, lambda *_: _leave_if_host_goes_down(record))
    supervisor, deaths = os.getpid(), 0
    groups = _groups_of(record.load())
    while deaths < MAX_WORKERS:
        try:
            worker = os.fork()
        except OSError:  # a host at its limit of processes: not for ever
            time.sleep(LONGEST_SLEEP_S)
            with contextlib.suppress(Refusal):
                if not _is_watched_by(record.load(), supervisor):
                    return
            continue
        if worker == 0:
            _be_worker(record, supervisor)
        _, status = os.waitpid(worker, 0)
        if status == 0:
            if record.load() is None:  # then nobody knows of our groups but we
                leave_and_remove_groups(groups)
            return
        deaths += 1
        time.sleep(min(_PAUSE_S * 2**deaths, _LONGEST_PAUSE_S))  # the trouble it died of may pass


def _groups_of(state: Optional[LeaseState]) -> str:
    """The control groups that were made for the watchdog; "" without any."""
    watchdog = None if state is None else state["watchdog"]
    return "" if watchdog is None else watchdog["cgroup"]


def _leave_if_host_goes_down(record: Record) -> None:
    """No watchdog ends by being asked to, but when the host goes down at the run's own wish: it would hold that up for
    minutes, and restore at its deadline what the next start is to find and to restore itself.
    """
    with contextlib.suppress(Exception):
        state = record.load()
        if state is not None and state.get("restarting"):
            os._exit(0)


def _be_worker(record: Record, supervisor: int) -> None:
    """The worker's whole life; its exit status says whether the work is done."""
    status = 1
    try:
        _work(record, supervisor)
        status = 0
    finally:
        os._exit(status)


def _work(record: Record, supervisor: int) -> None:
    """Wait for the deadline, then restore; ends when nothing is owed any more or other watchdogs took our place."""
    with contextlib.suppress(Exception):
        lock_memory()
    pauses_s = iter(AGAIN_AFTER_S)  # what could not be restored may be possible later
    in_vain = 0
    while True:
        try:
            if _turn(record, supervisor, pauses_s):
                return
            in_vain = 0
        except Exception:  # an error of ours must not cost a host its restoring: again, and then without all that fails
            in_vain += 1
            if in_vain >= PLAINLY_AFTER:
                _restore_plainly_if_due(record)
            time.sleep(min(_PAUSE_S * 2 ** min(in_vain, 10), _LONGEST_PAUSE_S))


def _turn(record: Record, supervisor: int, pauses_s: Iterator[float]) -> bool:
    """One look at the record, and what follows from it; whether the work is done."""
    state = record.load()
    if not _is_watched_by(state, supervisor):
        return True
    assert state is not None
    if os.getppid() != supervisor and _take_place(record, supervisor):
        return True
    due_s = _due_s(state)
    if due_s > 0:
        time.sleep(min(due_s, LONGEST_SLEEP_S))
        return False
    if boottime_ns() >= state["deadline_ns"]:  # past that, no renewal can save it
        with contextlib.suppress(Exception):  # restoring does not wait for it
            end_traffic(record)
    if not restore_if_due(record):
        time.sleep(_PAUSE_S)  # the record may not have taken what was done, and would be asked again at once
    elif _is_watched_by(record.load(), supervisor):
        pause_s = next(pauses_s, None)
        if pause_s is None:
            return True
        time.sleep(pause_s)
    return False


def _restore_plainly_if_due(record: Record) -> None:
    """What is due is restored with as little of our own code as can be; the record is left as it is."""
    with contextlib.suppress(Exception):
        state = record.load()
        due = state is not None and state["boot_id"] == boot_id() and state["standing"] in ("held", "left")
        if due and state is not None and boottime_ns() >= state["deadline_ns"]:
            restoring.restore_plainly(state)


def _take_place(record: Record, supervisor: int) -> bool:
    """Our supervisor was killed: register ourselves and go on as one, with a worker; False when it cannot be noted."""
    os.setpgid(0, 0)
    try:
        with record.locked():
            state = record.load()
            if not _is_watched_by(state, supervisor):
                return True
            watchdog = None if state is None else state["watchdog"]
            assert watchdog is not None
            _register(record, _registration(os.getpid(), watchdog["in_session"], watchdog["cgroup"]))
    except Refusal:  # a long change, or a full disk: what we are here for can be done all the same
        return False
    _supervise(record)
    return True


def _due_s(state: LeaseState) -> float:
    """How long until something has to be restored, seconds."""
    now_ns = boottime_ns()
    waiting_ns = probation.left_ns(state, now_ns)
    left_ns = state["deadline_ns"] - now_ns
    return (left_ns if waiting_ns is None else min(left_ns, waiting_ns)) / lease.NS


def _registration(pid: int, in_session: bool, cgroup: str) -> Watchdog:
    return {"pid": pid, "ticks": started_ticks(pid), "in_session": in_session, "cgroup": cgroup}


def _register(record: Record, watchdog: Watchdog) -> None:
    state = record.load()
    assert state is not None, "watchdogs exist only for a lease"
    record.save({**state, "watchdog": watchdog})


def _is_watched_by(state: Optional[LeaseState], supervisor: int) -> bool:
    return (
        state is not None
        and state["watchdog"] is not None
        and state["watchdog"]["pid"] == supervisor
        and state["standing"] in ("held", "left")
    )
