"""Settings between the plan's cells and the hosts: where they act, at which level, what they took. Pure."""

from __future__ import annotations

from typing import NotRequired, TypedDict


class Where(TypedDict):
    """What of a host a setting changes: its target is an interface, a command's name, or ""."""

    setting: str
    target: str


class Use(Where):
    """A setting to be brought to a level; one with `as_found` goes back to its before-value, whatever the level."""

    level: object
    as_found: NotRequired[bool]


class KnownPlace(Use):
    """What the journal knows of a place: its first value, and every level the run has given it."""

    value: object
    ours: list[object]
    unfinished: bool  # a change of it was never answered


class ToPrepare(Use):
    """A place whose before-value is to be recorded; `known` leads over what the host holds."""

    known: NotRequired[KnownPlace]


class Reading(Use):
    """A place as it was read."""

    value: object


class ToldChange(TypedDict, total=False):
    """What somebody else changed, in a host's words; `setting` and `target` where the plan sets it."""

    host: str
    setting: str
    target: str
    what: str
    before: str
    now: str
    by: str


class AppliedUse(Use):
    """What a setting took, as the host read it back."""

    ok: bool
    seen: NotRequired[object]
    why: NotRequired[str]
    code: NotRequired[str]
    took_s: NotRequired[float]
    restart: NotRequired[bool]  # written, and in effect from the next start on
    changed_outside: NotRequired[list[ToldChange] | None]


class Stay(TypedDict, total=False):
    """Something that is not as it was found. `told` has the host's words; older journals have raw values."""

    setting: str
    target: str
    what: str
    key: str  # of a host's image, where it is no place of the plan
    before: object
    now: object
    why: str
    command: str
    told: object  # {"what", "before", "now", "command"} for a part of the image, a list of such for a place


class Differences(TypedDict, total=False):
    """A host's image compared with the one before the run."""

    ok: bool
    touched: list[Stay]
    other: list[Stay]


class RestoreResult(TypedDict, total=False):
    """What became of a host's restoring; `source` where `recover` tells of it: record, journal or nothing."""

    found: object
    restored: list[Where]
    left: list[Stay]
    conflicts: list[Stay]
    differences: Differences
    touched: list[Stay]  # run.json has both parts of the differences beside the others
    other: list[Stay]
    restart: list[Stay]
    accepted: list[Stay]
    facts: object
    source: str
