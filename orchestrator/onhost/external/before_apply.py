"""What was changed on a place since this run last touched it, seen just before the next level is given."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, NamedTuple, Optional

from orchestrator.onhost.external.change import Changes
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.safety.state import Before, LeaseState, Place

if TYPE_CHECKING:
    from orchestrator.onhost.safety.answers import ChangedOutside
    from orchestrator.onhost.settings.base import Setting

CHANGED_OUTSIDE = "changed_outside"  # the code of a level that was not given because of it


def changed_before(state: LeaseState, before: Before, setting: Setting) -> ChangedOutside:
    """{"changed_outside": [...]}; {} when the place reads as it was left, or nobody can tell. Call it under the lock.

    A place that another change of this run may have moved is not looked at, nor one whose reading runs a program.
    """
    place = lease.place_of(before)
    others = [one for one in state["changes"] if lease.place_of(one) != place]
    if not setting.cheap_to_read or any(setting.may_be_moved_by(one["setting"]) for one in others):
        return {}
    left = _as_we_left_it(state, before)
    return {} if left is None else _found(before, left.value, setting)


def changed_since_given(record: Record, use: Place, setting: Setting) -> ChangedOutside:
    """The same for a place that should have its level and has not; without the lock, as nothing is decided by it."""
    with contextlib.suppress(Refusal):
        state = record.load()
        before = lease.before_of(state, use) if state is not None else None
        left = _as_we_left_it(state, before) if state is not None and before is not None else None
        if left is not None and before is not None and setting.cheap_to_read:
            return _found(before, left.value, setting)
    return {}


class _Left(NamedTuple):
    value: object  # None is a value, too: of a place that the host has not


def _as_we_left_it(state: LeaseState, before: Before) -> Optional[_Left]:
    """The value that this run gave the place last, or found there; None while it may hold anything of ours."""
    change = next((one for one in state["changes"] if lease.place_of(one) == lease.place_of(before)), None)
    if change is None or (change.get("as_found") and not change["unfinished"]):
        return _Left(before["value"])
    return _Left(change["ours"][-1]) if change["ours"] and not change["unfinished"] else None


def _found(before: Before, left: object, setting: Setting) -> ChangedOutside:
    try:
        now = setting.read(before["target"], before["level"])
        lines = [] if setting.same(left, now) else setting.told(before["target"], left, now)
    except Refusal:
        return {}
    found = Changes()
    found.note(lines, lease.place_of(before))
    return {"changed_outside": found.found} if found.found else {}
