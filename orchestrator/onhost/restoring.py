"""Putting this host back: in reverse order, never stopping at an error, never over somebody else's change."""

from __future__ import annotations

import contextlib
import time
from typing import Any, Callable, Dict

from orchestrator.onhost import lease
from orchestrator.onhost.bounded import run_bounded
from orchestrator.onhost.catalogue import in_order, setting_of
from orchestrator.onhost.refusal import Refusal

RESTORE_BOUND_S = 60.0  # one setting; a driver that renegotiates a copper link takes up to 7 s


Save = Callable[[Dict[str, Any]], None]


def keep_nothing(state: dict[str, Any]) -> None:
    """For a caller whose state is kept nowhere."""


def put_back(state: dict[str, Any], by: str, save: Save = keep_nothing,
             bound_s: float = RESTORE_BOUND_S) -> dict[str, Any]:
    """The state after putting everything back; call it under the lock.

    `by` is "controller" while the lease goes on, "keeper" or "recover" when it ends with this. `save` keeps the state
    before each write, so that an interrupted one is known to be ours.
    """
    outcome = put_places_back(state, state["changes"], by, save, bound_s)
    if state["standing"] == "left":  # an attempt after another: what that one restored stays told
        outcome["restored"] = state["outcome"]["restored"] + outcome["restored"]
    outcome["restart"] = restarts_due(state, bound_s)
    clean = not outcome["left"] and not outcome["conflicts"]
    # What was put back is nobody's debt any more; what was not stays listed, so that the next attempt knows it.
    unpaid = [{"setting": one["setting"], "target": one["target"]} for one in outcome["left"] + outcome["conflicts"]]
    return {**state, "outcome": outcome,
            "standing": "held" if by == "controller" else "restored" if clean else "left",
            "changes": [one for one in state["changes"] if lease.place_of(one) in unpaid]}


def restarts_due(state: dict[str, Any], bound_s: float = RESTORE_BOUND_S) -> list[dict[str, Any]]:
    """The places whose first value is back, but in effect only once this host has been started again."""
    due = []
    for before in state["before"]:
        setting = setting_of(before["setting"])
        if setting.restarts(before["level"]):
            with contextlib.suppress(Refusal):
                now = run_bounded(_reading(before), bound_s)
                if setting.restart_due(before["value"], now):
                    due.append({key: before[key] for key in ("setting", "target", "level")})
    return due


def _reading(before: dict[str, Any]) -> Callable[[], Any]:
    return lambda: setting_of(before["setting"]).read(before["target"], before["level"])


def put_places_back(state: dict[str, Any], places: list[dict[str, Any]], by: str, save: Save = keep_nothing,
                    bound_s: float = RESTORE_BOUND_S) -> dict[str, Any]:
    """What putting some of the changes back achieved: {restored, left, conflicts, by, at_wall_ns}."""
    wanted = [lease.place_of(place) for place in places]
    outcome: dict[str, Any] = {"restored": [], "left": [], "conflicts": [], "by": by}
    changes = [change for change in reversed(in_order(state["changes"])) if lease.place_of(change) in wanted]
    for change in changes:
        kind, entry = _put_back_one(change, state, save, bound_s)
        outcome[kind].append(entry)
    _look_again(changes, state, outcome, bound_s)
    return {**outcome, "at_wall_ns": time.time_ns()}


def _look_again(changes: list[dict[str, Any]], state: dict[str, Any], outcome: dict[str, Any], bound_s: float) -> None:
    """Some settings read as before only when another one is back (offloads, while frames were large): that counts."""
    for kind in ("left", "conflicts"):
        for entry in list(outcome[kind]):
            change = next(one for one in changes if lease.place_of(one) == lease.place_of(entry))
            before = lease.before_of(state, change)
            assert before is not None, "as in _put_back_one"
            with contextlib.suppress(Refusal):
                if run_bounded(_reads_as_before(change, before), bound_s):
                    outcome[kind].remove(entry)
                    outcome["restored"].append({key: entry[key] for key in ("setting", "target", "before")})


def _reads_as_before(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], bool]:
    setting, target = setting_of(change["setting"]), change["target"]
    return lambda: bool(setting.same(before["value"], setting.read(target, before["level"])))


def _put_back_one(change: dict[str, Any], state: dict[str, Any], save: Save,
                  bound_s: float) -> tuple[str, dict[str, Any]]:
    before = lease.before_of(state, change)
    assert before is not None, "an intent is only ever written for a prepared place"
    entry = {"setting": change["setting"], "target": change["target"], "before": before["value"]}
    try:
        verdict = run_bounded(_looking(change, before), bound_s)
        if verdict["kind"] == "ours":
            with contextlib.suppress(Refusal):  # a full disk is no reason to leave the host as it is
                save(lease.note_unfinished(state, change))
            verdict = run_bounded(_restoring(change, before), bound_s)
    except Refusal as refusal:
        return "left", {**entry, "now": None, "why": refusal.message, "command": mend_command(before)}
    if verdict["kind"] == "restored":
        return "restored", entry
    return verdict["kind"], {**entry, "now": verdict["now"], "why": verdict["why"], "command": mend_command(before)}


def _looking(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], dict[str, Any]]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> dict[str, Any]:
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            if setting.restarts(level):  # it may be armed all the same: the write failed, or was never come to
                setting.restore(target, before["value"])
            return {"kind": "restored"}
        if _is_ours(setting, change, now):
            return {"kind": "ours"}
        return {"kind": "conflicts", "now": now, "why": "someone else changed it: neither our value nor the first"}
    return step


def _restoring(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], dict[str, Any]]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> dict[str, Any]:
        setting.restore(target, before["value"])
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            return {"kind": "restored"}
        return {"kind": "left", "now": now, "why": "it was put back, but does not read as it did before"}
    return step


def _is_ours(setting: Any, change: dict[str, Any], now: Any) -> bool:
    """Whether the value found is one that we put there, whole or, after an interruption, in part."""
    if change["unfinished"] or any(setting.same(one, now) for one in change["ours"]):
        return True
    return any(setting.holds_ours(change["target"], level) for level in change["levels"])


def mend_command(before: dict[str, Any]) -> str:
    """The command with which a person puts this place right."""
    return str(setting_of(before["setting"]).mend_command(before["target"], before["value"]))
