"""Changing this host: each change alone under the lock, its before-value and the intent written first."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, List, Optional

from orchestrator.onhost.catalogue import image_room, in_order, setting_of
from orchestrator.onhost.external.before_apply import CHANGED_OUTSIDE, changed_before, changed_since_given
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, probation
from orchestrator.onhost.safety.answers import (
    Adopted,
    ChangedOutside,
    Nothing,
    Possible,
    Prepared,
    ProblemOfUse,
    ReadPlace,
    ReadPlaces,
    Seen,
    UsedPlace,
    UsedPlaces,
)
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from orchestrator.onhost.safety.state import AsFound, Before, KnownChange, LeaseState, LevelOfPlace, Use

if TYPE_CHECKING:
    from orchestrator.onhost.settings.base import Setting


def prepare(record: Record, token: int, interfaces: List[str], places: List[LevelOfPlace]) -> Prepared:
    """Note what is as found: the image once, each place's value when it is first asked for."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if state["image"] is None or set(interfaces) - set(state["interfaces"]):
            if state["image"] is not None and state["changes"]:  # without an image they are adopted ones, not yet made
                raise Refusal("too_late", "an image of the host as found cannot be taken after the first change")
            state = {**state, "image": image_room().take_image(interfaces), "interfaces": interfaces}
        image = state["image"]
        assert image is not None, "taken above, unless it was there"
        before = list(state["before"])
        for place in places:
            if lease.before_of({"before": before}, place) is None:
                value = setting_of(place["setting"]).read(place["target"], place["level"])
                before.append({**lease.place_of(place), "level": place["level"], "value": value})
        state = {**state, "before": before}
        record.save(state)
    return {"before": before, "image": image}


def adopt(record: Record, token: int, before: List[KnownChange]) -> Adopted:
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
    uses: List[Use],
    session: int = 0,
    confirm_s: Optional[float] = None,
    keep_others: Optional[bool] = None,
) -> UsedPlaces:
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


def _restart_needed(record: Record, uses: List[Use]) -> bool:
    """Whether some of these levels takes a restart that has not been: then all such are written, for the same start."""
    state: AsFound = record.load() or {"before": []}
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


def confirm(record: Record, token: int, session: int) -> Nothing:
    """Keep the changes that are on probation; only a session that was opened after them can."""
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        record.save(probation.confirm(state, session, boottime_ns()))
    return {}


def _apply_one(record: Record, token: int, use: Use, *, restart: bool, waiting: bool, keep_others: bool) -> UsedPlace:
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
            seen: Seen = {"ok": False, "seen": None, "why": "somebody else has changed it", "code": CHANGED_OUTSIDE}
            return {**use, **seen, **found, "took_s": time.monotonic() - started}
        if use.get("as_found"):  # a cell that leaves this place alone, after one that did not
            record.save(lease.note_unfinished(state, use))
            seen = _as_found(setting, target, before)
            if restart:
                seen["restart"] = True
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


def _known_in_part(state: LeaseState, setting: Setting, use: Use, before: Before) -> LeaseState:
    """A place that does not read as it was found reads as we left it; any value, where that cannot be read."""
    try:
        return lease.note_done(state, use, setting.read(use["target"], before["level"]))
    except Refusal:
        return lease.note_unfinished(state, use)


def _as_found(setting: Setting, target: str, before: Before) -> Seen:
    """Back to the value before the run; the place stays on the record until the run's end."""
    try:
        setting.restore(target, before["value"])
        now = setting.read(target, before["level"])
    except Refusal as refusal:
        return _refused(refusal)
    ok = setting.same(before["value"], now)
    return {"ok": ok, "seen": now, "why": "" if ok else "it does not read as it was found"}


def _change(setting: Setting, target: str, level: object, *, restart: bool) -> Seen:
    try:
        if restart:
            written = setting.write_for_next_start(target, level)
            return {"ok": written["ok"], "seen": written["seen"], "why": written["why"], "restart": written["restart"]}
        setting.apply(target, level)
        return _verified(setting, target, level)
    except Refusal as refusal:
        return _refused(refusal)


def _verified(setting: Setting, target: str, level: object) -> Seen:
    found = setting.verify(target, level)
    return {"ok": found["ok"], "seen": found["seen"], "why": found["why"]}


def _refused(refusal: Refusal) -> Seen:
    return {"ok": False, "seen": None, "why": refusal.message, "code": refusal.code}


def verify(record: Record, uses: List[Use]) -> UsedPlaces:
    """Whether each place has its level now, and where not, what has changed since we gave it; changes nothing."""

    def one(use: Use) -> UsedPlace:
        started = time.monotonic()
        setting = setting_of(use["setting"])
        try:
            seen = _verified(setting, use["target"], use["level"])
        except Refusal as refusal:
            seen = _refused(refusal)
        found: ChangedOutside = {} if seen["ok"] else changed_since_given(record, use, setting)
        return {**use, **seen, **found, "took_s": time.monotonic() - started}

    return {"uses": [one(use) for use in uses]}


def possible(uses: List[Use]) -> Possible:
    """Why this host cannot have some of these levels; asks before anything is changed, and changes nothing."""
    found: List[ProblemOfUse] = [
        {**use, "why": setting_of(use["setting"]).check(use["target"], use["level"])} for use in uses
    ]
    return {"problems": [one for one in found if one["why"]]}


def read(places: List[LevelOfPlace]) -> ReadPlaces:
    """What each place's value is now; changes nothing."""

    def one(place: LevelOfPlace) -> ReadPlace:
        try:
            value = setting_of(place["setting"]).read(place["target"], place["level"])
            return {**_read_place(place), "value": value}
        except Refusal as refusal:
            return {**_read_place(place), "why": refusal.message, "code": refusal.code}

    return {"places": [one(place) for place in places]}


def _read_place(place: LevelOfPlace) -> ReadPlace:
    return {"setting": place["setting"], "target": place["target"], "level": place["level"], "value": None, "why": ""}
