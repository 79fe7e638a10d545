"""Changing this host and putting it back: each change alone under the lock, its before-value written first."""

from __future__ import annotations

import importlib
import time
from typing import Any, Callable

from orchestrator.onhost import lease
from orchestrator.onhost.bounded import run_bounded
from orchestrator.onhost.record import Record, boot_id, boottime_ns
from orchestrator.onhost.refusal import Refusal

RESTORE_BOUND_S = 60.0  # one setting; a driver that renegotiates a copper link takes up to 7 s


def setting_of(name: str) -> Any:
    """The setting's five verbs; imported when needed, so that a session that changes nothing stays small."""
    return importlib.import_module("orchestrator.onhost.settings").CATALOGUE[name]


def image_room() -> Any:
    """The module that takes and compares images of a host; imported when needed, as above."""
    return importlib.import_module("orchestrator.onhost.image")


def survives_reboot(name: str) -> bool:
    """Whether a reboot keeps what this setting changed; unknown ones are taken to survive."""
    try:
        return bool(setting_of(name).survives_reboot)
    except KeyError:
        return True


def prepare(record: Record, token: int, interfaces: list[str], places: list[dict[str, Any]]) -> dict[str, Any]:
    """Note what is as found: the image once, each place's value when it is first asked for."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if state["image"] is None or set(interfaces) - set(state["interfaces"]):
            if state["changes"]:
                raise Refusal("too_late", "an image of the host as found cannot be taken after the first change")
            state = {**state, "image": image_room().take_image(interfaces), "interfaces": interfaces}
        before = list(state["before"])
        for place in places:
            if lease.before_of({"before": before}, place) is None:
                value = setting_of(place["setting"]).read(place["target"], place["level"])
                before.append({"setting": place["setting"], "target": place["target"], "level": place["level"],
                               "value": value})
        state = {**state, "before": before}
        record.save(state)
    return {"before": before, "image": state["image"]}


def adopt(record: Record, token: int, before: list[dict[str, Any]]) -> dict[str, Any]:
    """Take over before-values that the controller's journal kept, where this host's own record knows none.

    For a host that restarted: its record is gone, a setting that survives a restart is still changed.
    """
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        for place in before:
            if lease.before_of(state, place) is None:
                state = {**state, "before": [*state["before"], place]}
                state = lease.note_intent(state, place)
        record.save(state)
    return {"before": state["before"]}


def apply(record: Record, token: int, uses: list[dict[str, Any]]) -> dict[str, Any]:
    """Give each place its level; what cannot be is reported in its place, the others are done all the same."""
    return {"uses": [_apply_one(record, token, use) for use in uses]}


def _apply_one(record: Record, token: int, use: dict[str, Any]) -> dict[str, Any]:
    setting, target, level = setting_of(use["setting"]), use["target"], use["level"]
    started = time.monotonic()
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        before = lease.before_of(state, use)
        if before is None:
            raise Refusal("not_prepared", f"{use['setting']} of {target or 'the host'} was not looked at before")
        if use.get("as_found"):  # a cell that leaves this place alone, after one that did not
            seen = _as_found(setting, target, before)
            return {**use, **seen, "took_s": time.monotonic() - started}
        problem = setting.check(target, level)
        seen = {"ok": False, "seen": None, "why": problem, "code": "cannot"}
        if not problem:
            state = lease.note_intent(state, use)
            record.save(state)
            seen = _change(setting, target, level)
            record.save(lease.note_done(state, use, setting.read(target, level)))
    return {**use, **seen, "took_s": time.monotonic() - started}


def _as_found(setting: Any, target: str, before: dict[str, Any]) -> dict[str, Any]:
    """Back to the value before the run; the place stays on the record until the run's end."""
    try:
        setting.restore(target, before["value"])
        now = setting.read(target, before["level"])
    except Refusal as refusal:
        return {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}
    ok = setting.same(before["value"], now)
    return {"ok": ok, "seen": now, "why": "" if ok else "it does not read as it was found"}


def _change(setting: Any, target: str, level: Any) -> dict[str, Any]:
    try:
        setting.apply(target, level)
        return dict(setting.verify(target, level))
    except Refusal as refusal:
        return {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}


def verify(uses: list[dict[str, Any]]) -> dict[str, Any]:
    """Whether each place has its level now; changes nothing."""
    def one(use: dict[str, Any]) -> dict[str, Any]:
        started = time.monotonic()
        try:
            seen = dict(setting_of(use["setting"]).verify(use["target"], use["level"]))
        except Refusal as refusal:
            seen = {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}
        return {**use, **seen, "took_s": time.monotonic() - started}
    return {"uses": [one(use) for use in uses]}


def read(places: list[dict[str, Any]]) -> dict[str, Any]:
    """What each place's value is now; changes nothing."""
    def one(place: dict[str, Any]) -> dict[str, Any]:
        try:
            return {**place, "value": setting_of(place["setting"]).read(place["target"], place["level"]), "why": ""}
        except Refusal as refusal:
            return {**place, "value": None, "why": refusal.message, "code": refusal.code}
    return {"places": [one(place) for place in places]}


def put_back(state: dict[str, Any], by: str, bound_s: float = RESTORE_BOUND_S) -> dict[str, Any]:
    """The state after putting everything back, in reverse order, never stopping at an error. Under the lock."""
    outcome: dict[str, Any] = {"restored": [], "left": [], "conflicts": [], "by": by}
    for change in reversed(state["changes"]):
        kind, entry = _put_back_one(change, state, bound_s)
        outcome[kind].append(entry)
    outcome["at_wall_ns"] = time.time_ns()
    clean = not outcome["left"] and not outcome["conflicts"]
    # What was put back is nobody's debt any more; what was not stays listed, so that the next attempt knows it.
    unpaid = [{"setting": one["setting"], "target": one["target"]} for one in outcome["left"] + outcome["conflicts"]]
    return {**state, "outcome": outcome,
            "standing": "held" if by == "controller" else "restored" if clean else "left",
            "changes": [one for one in state["changes"] if lease.place_of(one) in unpaid]}


def _put_back_one(change: dict[str, Any], state: dict[str, Any], bound_s: float) -> tuple[str, dict[str, Any]]:
    before = lease.before_of(state, change)
    assert before is not None, "an intent is only ever written for a prepared place"
    entry = {"setting": change["setting"], "target": change["target"], "before": before["value"]}
    try:
        verdict = run_bounded(_restoring(change, before), bound_s)
    except Refusal as refusal:
        return "left", {**entry, "now": None, "why": refusal.message, "command": mend_command(before)}
    if verdict["kind"] == "restored":
        return "restored", entry
    return verdict["kind"], {**entry, "now": verdict["now"], "why": verdict["why"], "command": mend_command(before)}


def _restoring(change: dict[str, Any], before: dict[str, Any]) -> Callable[[], dict[str, Any]]:
    setting, target, level = setting_of(change["setting"]), change["target"], before["level"]

    def step() -> dict[str, Any]:
        now = setting.read(target, level)
        if setting.same(before["value"], now):
            return {"kind": "restored"}
        if not _is_ours(setting, change, now):
            return {"kind": "conflicts", "now": now, "why": "someone else changed it: neither our value nor the first"}
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
    return any(setting.verify(change["target"], level)["ok"] for level in change["levels"])


def mend_command(before: dict[str, Any]) -> str:
    """The command with which a person puts this place right."""
    return str(setting_of(before["setting"]).mend_command(before["target"], before["value"]))
