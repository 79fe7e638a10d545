"""Restoring this host: in reverse order, never stopping at an error, never over somebody else's change."""

from __future__ import annotations

import contextlib
import time
from typing import TYPE_CHECKING, Callable, List, Literal, NamedTuple, Optional, Sequence, Tuple, TypedDict

from orchestrator.onhost.catalogue import in_order, setting_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.state import (
    Before,
    Change,
    LeaseState,
    LevelOfPlace,
    NotRestored,
    Outcome,
    Place,
    Restored,
    Save,
)
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.service.bounded import run_bounded

if TYPE_CHECKING:
    from orchestrator.onhost.settings.base import Setting

RESTORE_TIMEOUT_S = 60.0  # one setting; a driver that renegotiates a copper link takes up to 7 s
# One slow interface makes all its settings slow: from the second on they share this, down to the minimum for each.
_IN_ALL_S, _MIN_TIMEOUT_S = 80.0, 10.0
MEND_TIMEOUT_S = 2.0  # for a command that is made from what the driver says now


class _Kind(TypedDict):
    kind: Literal["restored", "ours", "left", "conflicts"]


class Verdict(_Kind, total=False):
    """What a look at a changed place says; "ours": it may be written. `stuck`: its driver did not answer."""

    now: object
    why: str
    stuck: bool


class _Done(NamedTuple):
    """What became of one change, and the state after it."""

    state: LeaseState
    restored: Restored
    missed: Optional[NotRestored] = None
    kind: str = "restored"
    stuck: bool = False


def longest_s(places: int, timeout_s: float = RESTORE_TIMEOUT_S) -> float:
    """The longest that restoring so many settings takes, seconds: every driver hangs, or all but hangs."""
    spent_s = 0.0
    for _ in range(places):
        # itself, a last reading, its command
        spent_s += _within_s(timeout_s, spent_s) + _MIN_TIMEOUT_S + MEND_TIMEOUT_S
    return spent_s + 2 * places * _MIN_TIMEOUT_S  # looked at again once all are done, and whether a restart is due


def _within_s(timeout_s: float, spent_s: float) -> float:
    """What one setting is given once others have taken `spent_s`."""
    return min(timeout_s, max(_MIN_TIMEOUT_S, _IN_ALL_S - spent_s))


def keep_nothing(state: LeaseState) -> None:
    """For a caller whose state is kept nowhere."""


def restored(state: LeaseState, by: str, save: Save = keep_nothing, timeout_s: float = RESTORE_TIMEOUT_S) -> LeaseState:
    """The state after restoring everything; call it under the lock.

    `by` is "controller" while the lease goes on, "watchdog" or "recover" when it ends with this. `save` keeps the state
    before each write, so that an interrupted one is known to be ours.
    """
    state, outcome = restore_places(state, state["changes"], by, save, timeout_s)
    earlier = state["outcome"]
    if state["standing"] == "left" and earlier is not None:  # an attempt after another: what that restored stays told
        told = [lease.place_of(entry) for entry in [*outcome["restored"], *_missed(outcome)]]
        kept = [entry for entry in earlier["restored"] if lease.place_of(entry) not in told]
        outcome["restored"] = kept + outcome["restored"]
    outcome["restart"] = restarts_due(state, timeout_s)
    # What was restored is nobody's debt any more; what was not stays listed, so that the next attempt knows it.
    unpaid = [lease.place_of(one) for one in _missed(outcome)]
    return {
        **state,
        "outcome": outcome,
        "standing": "held" if by == "controller" else "left" if unpaid else "restored",
        "changes": [one for one in state["changes"] if lease.place_of(one) in unpaid],
    }


def _missed(outcome: Outcome) -> List[NotRestored]:
    return [*outcome["left"], *outcome["conflicts"]]


def restore_plainly(state: LeaseState, timeout_s: float = RESTORE_TIMEOUT_S) -> None:
    """The last resort of a watchdog in which something of ours fails again and again: each place alone, nothing noted.

    A value of somebody else's is left alone here, too. Whoever looks next finds the places as found, and says so.
    """
    for change in reversed(state["changes"]):
        with contextlib.suppress(Exception):
            before = lease.before_of(state, change)
            assert before is not None, "as in _restored_one"
            if run_bounded(_looking(change, before), timeout_s)["kind"] == "ours":
                run_bounded(_restoring(change, before), timeout_s)


def restarts_due(state: LeaseState, timeout_s: float = RESTORE_TIMEOUT_S) -> List[LevelOfPlace]:
    """The places whose first value is back, but in effect only once this host has been started again."""
    due: List[LevelOfPlace] = []
    for before in state["before"]:
        setting = setting_of(before["setting"])
        if setting.restarts(before["level"]):
            with contextlib.suppress(Refusal):
                now = run_bounded(_reading(before), min(timeout_s, _MIN_TIMEOUT_S))
                if setting.restart_due(before["value"], now):
                    due.append({**lease.place_of(before), "level": before["level"]})
    return due


def _reading(before: Before) -> Callable[[], object]:
    return lambda: setting_of(before["setting"]).read(before["target"], before["level"])


def restore_places(
    state: LeaseState,
    places: Sequence[Place],
    by: str,
    save: Save = keep_nothing,
    timeout_s: float = RESTORE_TIMEOUT_S,
) -> Tuple[LeaseState, Outcome]:
    """(the state, what restoring some of the changes achieved, without `restart`).

    The state lists all changes as before, and knows of what was restored only in part that it is ours.
    """
    wanted = [lease.place_of(place) for place in places]
    outcome: Outcome = {"restored": [], "left": [], "conflicts": [], "by": by, "at_wall_ns": 0}
    changes = [change for change in reversed(in_order(state["changes"])) if lease.place_of(change) in wanted]
    stuck: List[Place] = []
    spent_s = 0.0
    for change in changes:
        within_s, began_s = _within_s(timeout_s, spent_s), time.monotonic()
        done = _restored_one(change, state, save, within_s)
        state = done.state
        if done.missed is None:
            outcome["restored"].append(done.restored)
        elif done.kind == "conflicts":
            outcome["conflicts"].append(done.missed)
        else:
            outcome["left"].append(done.missed)
        if done.stuck:
            stuck.append(lease.place_of(change))
            spent_s += within_s
        else:
            spent_s += time.monotonic() - began_s
    answering = [change for change in changes if lease.place_of(change) not in stuck]
    _look_again(answering, state, outcome, min(timeout_s, _MIN_TIMEOUT_S))
    outcome["at_wall_ns"] = time.time_ns()
    return state, outcome


def _look_again(changes: Sequence[Change], state: LeaseState, outcome: Outcome, timeout_s: float) -> None:
    """Some settings read as before only when another one is back (offloads, while frames were large): that counts."""
    for missed in (outcome["left"], outcome["conflicts"]):
        for entry in list(missed):
            change = next((one for one in changes if lease.place_of(one) == lease.place_of(entry)), None)
            if change is None:
                continue
            before = lease.before_of(state, change)
            assert before is not None, "as in _restored_one"
            with contextlib.suppress(Refusal):
                if run_bounded(_reads_as_before(change, before), timeout_s):
                    missed.remove(entry)
                    outcome["restored"].append({**lease.place_of(entry), "before": entry["before"]})


def _reads_as_before(change: Change, before: Before) -> Callable[[], bool]:
    setting, target = setting_of(change["setting"]), change["target"]
    return lambda: bool(setting.same(before["value"], setting.read(target, before["level"])))


def _restored_one(change: Change, state: LeaseState, save: Save, timeout_s: float) -> _Done:
    before = lease.before_of(state, change)
    assert before is not None, "an intent is only ever written for a prepared place"
    entry: Restored = {**lease.place_of(change), "before": before["value"]}
    after, until_s = state, time.monotonic() + timeout_s
    verdict: Verdict
    try:
        verdict = run_bounded(_looking(change, before), timeout_s)
        if verdict["kind"] == "ours":
            after = lease.note_unfinished(state, change)
            with contextlib.suppress(Refusal):  # a full disk is no reason to leave the host as it is
                save(after)
            verdict = run_bounded(_restoring(change, before), max(0.0, until_s - time.monotonic()))
    except Refusal as refusal:
        stuck = refusal.code == "stuck"
        now = None if stuck else _read_now(before)  # restored in part, it can be told, and accepted, all the same
        verdict = {"kind": "left", "now": now, "why": refusal.message, "stuck": stuck}
    if verdict["kind"] == "restored":
        return _Done(state, entry)
    missed: NotRestored = {
        **entry,
        "now": verdict["now"],
        "why": verdict["why"],
        "command": mend_command(before),
        "told": told_of(before, verdict["now"]),
    }
    if verdict["kind"] == "left" and after is not state:
        after = _known_in_part(after, change, verdict)
    return _Done(after, entry, missed, verdict["kind"], verdict.get("stuck", False))


def _known_in_part(state: LeaseState, change: Change, verdict: Verdict) -> LeaseState:
    """What a place reads after it was restored in part is ours, and nobody else's; any value, where it cannot be read.

    Otherwise the next attempt would take it for somebody else's change, and leave it so for ever.
    """
    return state if verdict["now"] is None else lease.note_done(state, change, verdict["now"])


def _read_now(before: Before) -> object:
    """What a place reads; None where it cannot be read."""
    with contextlib.suppress(Refusal):
        return run_bounded(_reading(before), _MIN_TIMEOUT_S)
    return None


def _looking(change: Change, before: Before) -> Callable[[], Verdict]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> Verdict:
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            if setting.restarts(level):  # it may be armed all the same: the write failed, or was never come to
                setting.restore(target, before["value"])
            setting.forget(target)
            return {"kind": "restored"}
        if _is_ours(setting, change, now):
            return {"kind": "ours"}
        if _restore_our_parts(setting, change, before, now):
            now = setting.read(target, level)
        return {"kind": "conflicts", "now": now, "why": "someone else changed it: neither our value nor the first"}

    return step


def _restore_our_parts(setting: Setting, change: Change, before: Before, now: object) -> bool:
    """Of a value of several parts, those that are as we left them are ours to restore, whatever the others are."""
    left = change["ours"][-1] if change["ours"] else None
    if (
        not setting.by_part
        or not isinstance(left, dict)
        or not isinstance(now, dict)
        or not isinstance(before["value"], dict)
    ):
        return False
    ours = {
        part: value
        for part, value in before["value"].items()
        if part in now and now[part] == left.get(part) and now[part] != value
    }
    if ours:
        setting.restore(change["target"], ours)
    return bool(ours)


def _restoring(change: Change, before: Before) -> Callable[[], Verdict]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> Verdict:
        setting.restore(target, before["value"])
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            return {"kind": "restored"}
        return {"kind": "left", "now": now, "why": "it was restored, but does not read as it did before"}

    return step


def _is_ours(setting: Setting, change: Change, now: object) -> bool:
    """Whether the value found is one that we put there, whole or, after an interruption, in part."""
    if change["unfinished"] or any(setting.same(one, now) for one in change["ours"]):
        return True
    return any(setting.holds_ours(change["target"], level) for level in change["levels"])


def told_of(before: Before, now: object) -> List[Told]:
    """What differs from the value before, one line per thing; one line for all where it cannot be asked now."""
    try:
        lines = run_bounded(
            lambda: setting_of(before["setting"]).told(before["target"], before["value"], now), MEND_TIMEOUT_S
        )
    except Refusal:
        lines = []
    place = f"{before['setting']} of {before['target']}" if before["target"] else before["setting"]
    return lines or [told(place, before["value"], "not readable" if now is None else now)]


def mend_command(before: Before) -> str:
    """The command with which a person puts this place right; empty where the driver that is asked does not answer."""
    try:
        return run_bounded(
            lambda: setting_of(before["setting"]).mend_command(before["target"], before["value"]), MEND_TIMEOUT_S
        )
    except Refusal:
        return ""
