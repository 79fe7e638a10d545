"""The lease's verbs on the record: acquire, renew, release, recover, and whether the watchdog lives."""

from __future__ import annotations

import contextlib
import time
from typing import Callable, List, Optional, Tuple

from orchestrator.onhost.catalogue import image_room, survives_reboot
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import accepting, lease, renewed, restoring, watchdog
from orchestrator.onhost.safety.answers import Acquired, Nothing, Recovered, Renewed, WatchdogTold
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from orchestrator.onhost.safety.state import Compared, LeaseState, Outcome, Place, Wanted
from orchestrator.onhost.service.bounded import run_bounded
from orchestrator.onhost.system.boot import network_namespace
from orchestrator.onhost.system.process import started_ticks

COMPARE_TIMEOUT_S = 20.0  # an image takes a tenth of a second
WATCHDOG_PATIENCE_S = 5.0  # a watchdog that is restoring right now needs a moment


def acquire(record: Record, wanted: Wanted, session: int = 0) -> Acquired:
    """Acquire this host for a run, or come back to it after a lost session.

    `session` is the process of the helper that asks: the watchdog ends its traffic with the lease.
    """
    _let_watchdog_finish(record)
    with record.locked():
        now_ns = boottime_ns()
        before = record.load()
        state = lease.acquire(
            before,
            wanted,
            now_ns=now_ns,
            wall_ns=time.time_ns(),
            boot=boot_id(),
            netns=network_namespace(),
            survives=survives_reboot,
        )
        record.save(state)
        with renewed.locked(record.directory) as note:
            renewed.write(note, _renewal(state, session, used=False))
        if not watchdog.alive(state):
            if before is not None:
                watchdog.stop(before)
            try:
                watchdog.start(record)
            except Refusal:
                if state["watchdog"] is None:  # a new lease without a watchdog is no lease
                    record.remove()
                raise
    return {
        "token": state["token"],
        "earlier": state["earlier"],
        "left_s": (state["deadline_ns"] - now_ns) / lease.NS,
        "joined": bool(before and lease.is_live(before, now_ns, boot_id())),
    }


def renew(record: Record, token: int, lease_s: float, session: int = 0) -> Renewed:
    """Put the deadline off; Refusal "stale", "expired" or "no_lease" when it is too late."""
    state, now_ns = _renewed(record, token, lambda state, now_ns: lease.renew(state, lease_s, now_ns), session)
    if not watchdog.alive(state):
        _start_watchdog_again(record)
    return {"left_s": (state["deadline_ns"] - now_ns) / lease.NS}


def renew_until(record: Record, token: int, until_ns: int, session: int) -> None:
    """Put the deadline off to an instant of CLOCK_BOOTTIME, by no more than the lease from now; Refusal as `renew`."""
    _renewed(record, token, lambda state, now_ns: lease.renew(state, (until_ns - now_ns) / lease.NS, now_ns), session)


def _renewed(
    record: Record, token: int, later: Callable[[LeaseState, int], LeaseState], session: int
) -> Tuple[LeaseState, int]:
    """(the state with a later deadline, when). Never waits for the host's lock: a change that is slower than the lease
    must not end it.
    """
    lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())  # the folder is there, and ours
    with renewed.locked(record.directory) as note:
        now_ns = boottime_ns()
        state = lease.require(record.load(), token, now_ns=now_ns, boot=boot_id())
        last = renewed.read(record.directory)
        if last is not None and last.token == token and last.closed:
            raise Refusal("expired", "the lease of this host has run out", **lease.description(state, now_ns))
        state = later(state, now_ns)
        renewed.write(note, _renewal(state, session, used=True))
    return state, now_ns


def _renewal(state: LeaseState, session: int, *, used: bool) -> renewed.Renewal:
    return renewed.Renewal(state["token"], state["deadline_ns"], used, False, session, started_ticks(session))


def _start_watchdog_again(record: Record) -> None:
    """Where a change holds the lock it has to wait; the helper looks after the watchdog every other second as well."""
    try:
        with record.locked(renewed.LOCK_TIMEOUT_S):
            if lacks_watchdog(record):
                watchdog.start(record)
    except Refusal as refusal:
        if refusal.code != "locked":
            raise


def release(record: Record, token: int) -> Nothing:
    """Give the host up and leave nothing of ours behind; Refusal "unrestored" while changes are on it."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if state["changes"]:
            raise Refusal("unrestored", "changes of this run are still on the host", changes=state["changes"])
        watchdog.stop(state)
        record.remove()
    return {}


def restore(record: Record, token: int) -> Outcome:
    """Restore everything that this run changed. The lease stays."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        state = restoring.restored(state, "controller", record.save)
        record.save(state)
        outcome = state["outcome"]
        assert outcome is not None, "restoring has one"
    return outcome


def compare(record: Record, token: int) -> Compared:
    """How the host differs from its image as found."""
    state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
    return _differences(state)


def recover(record: Record, run_id: str, accept: Optional[str] = None) -> Recovered:
    """Restore from this host's own record what a run left.

    `run_id` "" stands for whichever run left something. A live lease is only ended for the run that is named.
    Doing it twice is harmless: the second time there is nothing to find. What is not as found then, keeps the record.
    `accept`, the `mark` of an earlier answer, ends the record all the same, if that is still all that differs.
    """
    _let_watchdog_finish(record)
    with record.locked():
        state, now_ns = record.load(), boottime_ns()
        if state is None:
            record.remove()
            return {"found": None, "restored": [], "left": [], "conflicts": [], "compared": None, "mark": ""}
        found = lease.description(state, now_ns)
        if run_id not in ("", state["run_id"]) or (not run_id and lease.is_live(state, now_ns, boot_id())):
            raise Refusal("busy", f"{state['holder']} has this host for the run {state['run_id']}", **found)
        if state["boot_id"] != boot_id():  # the reboot undid the rest; old values must not be put on a new boot
            state = {
                **state,
                "changes": [one for one in state["changes"] if survives_reboot(one["setting"])],
                "image": None,
            }
        if state["standing"] != "restored":
            state = restoring.restored(state, "recover", record.save)
            record.save(state)
        outcome = state["outcome"]
        assert outcome is not None, "restoring has one"
        compared = _compared_within(state, COMPARE_TIMEOUT_S) if state["image"] is not None else None
        stays = accepting.mark(outcome, compared)
        if accept:
            accepting.require_acceptable(outcome, compared, accept)
        if not stays or accept:
            watchdog.stop(state)
            record.remove()
    return {"found": found, "compared": compared, "mark": stays, **outcome}


def watchdog_state(record: Record) -> WatchdogTold:
    """Whether the watchdog lives, and what the record says: how the controller verifies that it outlives a session."""
    state = record.load()
    if state is None:
        return {"alive": False, "pid": 0, "in_session": False, "record": None}
    registered = state["watchdog"]
    return {
        "alive": watchdog.alive(state),
        "pid": 0 if registered is None else registered["pid"],
        "in_session": registered is not None and registered["in_session"],
        "record": lease.description(state, boottime_ns()),
    }


def lacks_watchdog(record: Record) -> bool:
    """Whether somebody holds this host and the watchdog was killed; False where the record cannot be read."""
    try:
        state = record.load()
    except Refusal:
        return False
    return state is not None and lease.is_live(state, boottime_ns(), boot_id()) and not watchdog.alive(state)


def watch(record: Record) -> None:
    """Start the watchdog of a live lease again if it was killed."""
    with record.locked():
        if lacks_watchdog(record):
            watchdog.start(record)


def _let_watchdog_finish(record: Record) -> None:
    """If a lease has run out and its watchdog lives, give it the moment that it needs."""
    until = time.monotonic() + WATCHDOG_PATIENCE_S
    while time.monotonic() < until:
        state = record.load()
        if state is None or state["standing"] != "held" or not watchdog.alive(state):
            return
        if boottime_ns() < state["deadline_ns"]:
            return
        time.sleep(0.02)


def _compared_within(state: LeaseState, timeout_s: float) -> Optional[Compared]:
    """How the host differs from its image as found; None where a stuck driver keeps the host from being looked at."""
    with contextlib.suppress(Refusal):
        return run_bounded(lambda: _differences(state), timeout_s)
    return None


def _differences(state: LeaseState) -> Compared:
    touched: List[Place] = [lease.place_of(one) for one in state["before"]]
    image, images = state["image"], image_room()
    assert image is not None, "only a host that was prepared is compared"
    found = images.differences(image, images.take_image(state["interfaces"]), touched)
    return {"ok": not found["touched"], **found}
