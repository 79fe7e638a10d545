"""Restoring this host: in reverse order, never stopping at an error, never over somebody else's change."""

from __future__ import annotations

import contextlib
import time
from typing import Any, Callable, Dict, Tuple

from orchestrator.onhost.catalogue import in_order, setting_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.told import Told, as_plain, told
from orchestrator.onhost.service.bounded import run_bounded

RESTORE_TIMEOUT_S = 60.0  # one setting; a driver that renegotiates a copper link takes up to 7 s
# One slow interface makes all its settings slow: from the second on they share this, down to the least for each.
_IN_ALL_S, _LEAST_TIMEOUT_S = 80.0, 10.0
MEND_TIMEOUT_S = 2.0  # for a command that is made from what the driver says now

Json = Dict[str, Any]

Save = Callable[[Dict[str, Any]], None]


def longest_s(places: int, timeout_s: float = RESTORE_TIMEOUT_S) -> float:
    """The longest that restoring so many settings takes, seconds: every driver hangs, or all but hangs."""
    spent_s = 0.0
    for _ in range(places):
        spent_s += (
            _within_s(timeout_s, spent_s) + _LEAST_TIMEOUT_S + MEND_TIMEOUT_S
        )  # itself, a last reading, its command
    return spent_s + 2 * places * _LEAST_TIMEOUT_S  # looked at again once all are done, and whether a restart is due


def _within_s(timeout_s: float, spent_s: float) -> float:
    """What one setting is given once others have taken `spent_s`."""
    return min(timeout_s, max(_LEAST_TIMEOUT_S, _IN_ALL_S - spent_s))


def keep_nothing(state: dict[str, Any]) -> None:
    """For a caller whose state is kept nowhere."""


def restored(
    state: dict[str, Any], by: str, save: Save = keep_nothing, timeout_s: float = RESTORE_TIMEOUT_S
) -> dict[str, Any]:
    """The state after restoring everything; call it under the lock.

    `by` is "controller" while the lease goes on, "watchdog" or "recover" when it ends with this. `save` keeps the state
    before each write, so that an interrupted one is known to be ours.
    """
    state, outcome = put_places_back(state, state["changes"], by, save, timeout_s)
    if state["standing"] == "left":  # an attempt after another: what that one restored stays told
        told = [lease.place_of(entry) for kind in ("restored", "left", "conflicts") for entry in outcome[kind]]
        outcome["restored"] = [
            entry for entry in state["outcome"]["restored"] if lease.place_of(entry) not in told
        ] + outcome["restored"]
    outcome["restart"] = restarts_due(state, timeout_s)
    clean = not outcome["left"] and not outcome["conflicts"]
    # What was restored is nobody's debt any more; what was not stays listed, so that the next attempt knows it.
    unpaid = [{"setting": one["setting"], "target": one["target"]} for one in outcome["left"] + outcome["conflicts"]]
    return {
        **state,
        "outcome": outcome,
        "standing": "held" if by == "controller" else "restored" if clean else "left",
        "changes": [one for one in state["changes"] if lease.place_of(one) in unpaid],
    }


def restored_plainly(state: dict[str, Any], timeout_s: float = RESTORE_TIMEOUT_S) -> None:
    """The last resort of a watchdog in which something of ours fails again and again: each place alone, nothing noted.

    A value of somebody else's is left alone here, too. Whoever looks next finds the places as found, and says so.
    """
    for change in reversed(state["changes"]):
        with contextlib.suppress(Exception):
            before = lease.before_of(state, change)
            assert before is not None, "as in _restored_one"
            if run_bounded(_looking(change, before), timeout_s)["kind"] == "ours":
                run_bounded(_restoring(change, before), timeout_s)


def restarts_due(state: dict[str, Any], timeout_s: float = RESTORE_TIMEOUT_S) -> list[dict[str, Any]]:
    """The places whose first value is back, but in effect only once this host has been started again."""
    due = []
    for before in state["before"]:
        setting = setting_of(before["setting"])
        if setting.restarts(before["level"]):
            with contextlib.suppress(Refusal):
                now = run_bounded(_reading(before), min(timeout_s, _LEAST_TIMEOUT_S))
                if setting.restart_due(before["value"], now):
                    due.append({key: before[key] for key in ("setting", "target", "level")})
    return due


def _reading(before: dict[str, Any]) -> Callable[[], Any]:
    return lambda: setting_of(before["setting"]).read(before["target"], before["level"])


def put_places_back(
    state: dict[str, Any],
    places: list[dict[str, Any]],
    by: str,
    save: Save = keep_nothing,
    timeout_s: float = RESTORE_TIMEOUT_S,
) -> Tuple[Json, Json]:
    """(the state, what putting some of the changes back achieved: {restored, left, conflicts, by, at_wall_ns}).

    The state lists all changes as before, and knows of what was restored only in part that it is ours.
    """
    wanted = [lease.place_of(place) for place in places]
    outcome: dict[str, Any] = {"restored": [], "left": [], "conflicts": [], "by": by}
    changes = [change for change in reversed(in_order(state["changes"])) if lease.place_of(change) in wanted]
    stuck: list[Json] = []
    spent_s = 0.0
    for change in changes:
        within_s, began_s = _within_s(timeout_s, spent_s), time.monotonic()
        kind, entry, state = _restored_one(change, state, save, within_s)
        outcome[kind].append(entry)
        if entry.pop("stuck", False):
            stuck.append(lease.place_of(change))
            spent_s += within_s
        else:
            spent_s += time.monotonic() - began_s
    _look_again(
        [change for change in changes if lease.place_of(change) not in stuck],
        state,
        outcome,
        min(timeout_s, _LEAST_TIMEOUT_S),
    )
    return state, {**outcome, "at_wall_ns": time.time_ns()}


def _look_again(
    changes: list[dict[str, Any]], state: dict[str, Any], outcome: dict[str, Any], timeout_s: float
) -> None:
    """Some settings read as before only when another one is back (offloads, while frames were large): that counts."""
    for kind in ("left", "conflicts"):
        for entry in list(outcome[kind]):
            change = next((one for one in changes if lease.place_of(one) == lease.place_of(entry)), None)
            if change is None:
                continue
            before = lease.before_of(state, change)
            assert before is not None, "as in _restored_one"
            with contextlib.suppress(Refusal):
                if run_bounded(_reads_as_before(change, before), timeout_s):
                    outcome[kind].remove(entry)
                    outcome["restored"].append({key: entry[key] for key in ("setting", "target", "before")})


def _reads_as_before(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], bool]:
    setting, target = setting_of(change["setting"]), change["target"]
    return lambda: bool(setting.same(before["value"], setting.read(target, before["level"])))


def _restored_one(
    change: dict[str, Any], state: dict[str, Any], save: Save, timeout_s: float
) -> Tuple[str, Json, Json]:
    """What became of one change, its entry in the outcome, and the state after it."""
    before = lease.before_of(state, change)
    assert before is not None, "an intent is only ever written for a prepared place"
    entry = {"setting": change["setting"], "target": change["target"], "before": before["value"]}
    after, until_s = state, time.monotonic() + timeout_s
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
        return "restored", entry, state
    entry.update({key: verdict[key] for key in ("now", "why", "stuck") if key in verdict})
    entry["command"] = mend_command(before)
    entry["told"] = told_of(before, verdict["now"])
    if verdict["kind"] == "left" and after is not state:
        after = _known_in_part(after, change, verdict)
    return verdict["kind"], entry, after


def _known_in_part(state: Json, change: Json, verdict: Json) -> Json:
    """What a place reads after it was restored in part is ours, and nobody else's; any value, where it cannot be read.

    Otherwise the next attempt would take it for somebody else's change, and leave it so for ever.
    """
    return state if verdict["now"] is None else lease.note_done(state, change, verdict["now"])


def _read_now(before: Json) -> Any:
    """What a place reads; None where it cannot be read."""
    with contextlib.suppress(Refusal):
        return run_bounded(_reading(before), _LEAST_TIMEOUT_S)
    return None


def _looking(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], dict[str, Any]]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> dict[str, Any]:
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            if setting.restarts(level):  # it may be armed all the same: the write failed, or was never come to
                setting.restore(target, before["value"])
            setting.forget(target)
            return {"kind": "restored"}
        if _is_ours(setting, change, now):
            return {"kind": "ours"}
        if _put_our_parts_back(setting, change, before, now):
            now = setting.read(target, level)
        return {"kind": "conflicts", "now": now, "why": "someone else changed it: neither our value nor the first"}

    return step


def _put_our_parts_back(setting: Any, change: dict[str, Any], before: dict[str, Any], now: Any) -> bool:
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


def _restoring(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], dict[str, Any]]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> dict[str, Any]:
        setting.restore(target, before["value"])
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            return {"kind": "restored"}
        return {"kind": "left", "now": now, "why": "it was restored, but does not read as it did before"}

    return step


def _is_ours(setting: Any, change: dict[str, Any], now: Any) -> bool:
    """Whether the value found is one that we put there, whole or, after an interruption, in part."""
    if change["unfinished"] or any(setting.same(one, now) for one in change["ours"]):
        return True
    return any(setting.holds_ours(change["target"], level) for level in change["levels"])


def told_of(before: dict[str, Any], now: Any) -> list[Told]:
    """What differs from the value before, one line per thing; one line for all where it cannot be asked now."""
    try:
        lines: list[Told] = run_bounded(
            lambda: as_plain(setting_of(before["setting"]).told(before["target"], before["value"], now)), MEND_TIMEOUT_S
        )
    except Refusal:
        lines = []
    place = f"{before['setting']} of {before['target']}" if before["target"] else before["setting"]
    return lines or [told(place, before["value"], "not readable" if now is None else now)]


def mend_command(before: dict[str, Any]) -> str:
    """The command with which a person puts this place right; empty where the driver that is asked does not answer."""
    try:
        return str(
            run_bounded(
                lambda: setting_of(before["setting"]).mend_command(before["target"], before["value"]), MEND_TIMEOUT_S
            )
        )
    except Refusal:
        return ""
