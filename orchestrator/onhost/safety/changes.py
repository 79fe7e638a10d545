"""Changing this host: each change alone under the lock, its before-value and the intent written first."""

from __future__ import annotations

import time
from typing import Any

from orchestrator.onhost.catalogue import image_room, in_order, setting_of
from orchestrator.onhost.external.before_apply import CHANGED_OUTSIDE, changed_before, changed_since_given
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, probation
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns


def prepare(record: Record, token: int, interfaces: list[str], places: list[dict[str, Any]]) -> dict[str, Any]:
    """Note what is as found: the image once, each place's value when it is first asked for."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if state["image"] is None or set(interfaces) - set(state["interfaces"]):
            if state["image"] is not None and state["changes"]:  # without an image they are adopted ones, not yet made
                raise Refusal("too_late", "an image of the host as found cannot be taken after the first change")
            state = {**state, "image": image_room().take_image(interfaces), "interfaces": interfaces}
        before = list(state["before"])
        for place in places:
            if lease.before_of({"before": before}, place) is None:
                value = setting_of(place["setting"]).read(place["target"], place["level"])
                before.append(
                    {"setting": place["setting"], "target": place["target"], "level": place["level"], "value": value}
                )
        state = {**state, "before": before}
        record.save(state)
    return {"before": before, "image": state["image"]}


def adopt(record: Record, token: int, before: list[dict[str, Any]]) -> dict[str, Any]:
    """Take over what the controller's journal knows of changed places, where this host's own record knows nothing.

    For a host that restarted: its record is gone, a setting that survives a restart is still changed. A value that is
    neither the first nor among the levels `ours` was given by the restart or by somebody else, and will be left alone.
    """
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        for place in before:
            if lease.before_of(state, place) is None:
                state = lease.adopt(state, place)
        record.save(state)
    return {"before": state["before"]}


def apply(
    record: Record,
    token: int,
    uses: list[dict[str, Any]],
    session: int = 0,
    confirm_s: float | None = None,
    keep_others: bool | None = None,
) -> dict[str, Any]:
    """Give each place its level; what cannot be is reported in its place, the others are done all the same.

    With `keep_others` a place that somebody else has changed since this run last did is left as it is.

    With `confirm_s` the changes are on probation: the watchdog takes them back after so long unless another session
    than `session` has confirmed them meanwhile.
    """
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        state = probation.begin(state, uses, session, confirm_s, boottime_ns())
        record.save(state)
    restart = _restart_needed(record, uses)
    return {
        "uses": [
            _apply_one(
                record, token, use, restart=restart, waiting=confirm_s is not None, keep_others=bool(keep_others)
            )
            for use in in_order(uses)
        ]
    }


def _restart_needed(record: Record, uses: list[dict[str, Any]]) -> bool:
    """Whether some of these levels takes a restart that has not been: then all such are written, for the same start."""
    state = record.load() or {"before": []}
    for use in uses:
        setting, before = setting_of(use["setting"]), lease.before_of(state, use)
        if before is None or not setting.restarts(before["level"]):
            continue
        try:
            if use.get("as_found"):
                due = setting.restart_due(before["value"], setting.read(use["target"], before["level"]))
            else:
                due = not setting.verify(use["target"], use["level"])["ok"]
        except Refusal:
            due = True
        if due:
            return True
    return False


def confirm(record: Record, token: int, session: int) -> dict[str, Any]:
    """Keep the changes that are on probation; only a session that was opened after them can."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        record.save(probation.confirm(state, session, boottime_ns()))
    return {}


def _apply_one(
    record: Record, token: int, use: dict[str, Any], *, restart: bool, waiting: bool, keep_others: bool
) -> dict[str, Any]:
    """One place's level; `waiting` while all of these changes are on probation."""
    setting, target, level = setting_of(use["setting"]), use["target"], use["level"]
    started = time.monotonic()
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if waiting and not state.get("probation"):  # it took longer than that, and the watchdog was quicker
            raise Refusal("reverted", "the changes before this one were taken back: nobody confirmed them in time")
        before = lease.before_of(state, use)
        if before is None:
            raise Refusal("not_prepared", f"{use['setting']} of {target or 'the host'} was not looked at before")
        restart = restart and setting.restarts(before["level"])
        found = changed_before(state, before, setting)
        if found and keep_others:
            return {
                **use,
                "ok": False,
                "seen": None,
                "why": "somebody else has changed it",
                "code": CHANGED_OUTSIDE,
                **found,
                "took_s": time.monotonic() - started,
            }
        if use.get("as_found"):  # a cell that leaves this place alone, after one that did not
            record.save(lease.note_unfinished(state, use))
            seen = {**_as_found(setting, target, before), **({"restart": True} if restart else {})}
            # finished: from here on any other value than this or ours is somebody else's
            record.save(lease.note_as_found(state, use) if seen["ok"] else _known_in_part(state, setting, use, before))
            return {**use, **seen, **found, "took_s": time.monotonic() - started}
        problem = setting.check(target, level)
        seen = {"ok": False, "seen": None, "why": problem, "code": "cannot"}
        if not problem:
            state = lease.note_intent(state, use)
            record.save(state)
            seen = _change(setting, target, level, restart=restart)
            _require_nobody_came_between(record)
            record.save(lease.note_done(state, use, setting.read(target, level)))
    return {**use, **seen, **found, "took_s": time.monotonic() - started}


def _require_nobody_came_between(record: Record) -> None:
    """The watchdog does not wait for a slow change for ever: what it noted meanwhile is not written over, and what was
    changed behind it is restored by it in a moment.
    """
    state = record.load()
    if state is None or state["standing"] != "held":
        raise Refusal("expired", "the lease of this host ran out during this change, and the host restored itself")


def _known_in_part(state: dict[str, Any], setting: Any, use: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """A place that does not read as it was found reads as we left it; any value, where that cannot be read."""
    try:
        return lease.note_done(state, use, setting.read(use["target"], before["level"]))
    except Refusal:
        return lease.note_unfinished(state, use)


def _as_found(setting: Any, target: str, before: dict[str, Any]) -> dict[str, Any]:
    """Back to the value before the run; the place stays on the record until the run's end."""
    try:
        setting.restore(target, before["value"])
        now = setting.read(target, before["level"])
    except Refusal as refusal:
        return {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}
    ok = setting.same(before["value"], now)
    return {"ok": ok, "seen": now, "why": "" if ok else "it does not read as it was found"}


def _change(setting: Any, target: str, level: Any, *, restart: bool) -> dict[str, Any]:
    try:
        if restart:
            return dict(setting.write_for_next_start(target, level))
        setting.apply(target, level)
        return dict(setting.verify(target, level))
    except Refusal as refusal:
        return {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}


def verify(record: Record, uses: list[dict[str, Any]]) -> dict[str, Any]:
    """Whether each place has its level now, and where not, what has changed since we gave it; changes nothing."""

    def one(use: dict[str, Any]) -> dict[str, Any]:
        started = time.monotonic()
        try:
            seen = dict(setting_of(use["setting"]).verify(use["target"], use["level"]))
        except Refusal as refusal:
            seen = {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}
        found = {} if seen["ok"] else changed_since_given(record, use, setting_of(use["setting"]))
        return {**use, **seen, **found, "took_s": time.monotonic() - started}

    return {"uses": [one(use) for use in uses]}


def possible(uses: list[dict[str, Any]]) -> dict[str, Any]:
    """Why this host cannot have some of these levels; asks before anything is changed, and changes nothing."""
    found = [{**use, "why": setting_of(use["setting"]).check(use["target"], use["level"])} for use in uses]
    return {"problems": [one for one in found if one["why"]]}


def read(places: list[dict[str, Any]]) -> dict[str, Any]:
    """What each place's value is now; changes nothing."""

    def one(place: dict[str, Any]) -> dict[str, Any]:
        try:
            return {**place, "value": setting_of(place["setting"]).read(place["target"], place["level"]), "why": ""}
        except Refusal as refusal:
            return {**place, "value": None, "why": refusal.message, "code": refusal.code}

    return {"places": [one(place) for place in places]}
