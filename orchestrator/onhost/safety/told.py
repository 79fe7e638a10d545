"""A difference as a person reads it: what, how it was, how it is, and the command that puts it right. Pure.

Every module that finds a difference on a host (restoring, comparing images, watching for external changes) says
it in this shape, so that terminal, reports and `recover` need to know nothing of any setting's value.
"""

from __future__ import annotations

from typing import Iterator, List, Mapping, Tuple, TypedDict

LONGEST_TEXT = 100  # of one value: a person compares two of them in one line
MAX_LINES = 60  # of one setting: more says no more
THERE, GONE, NOT_THERE = "there", "gone", "not there"
AS_RECORDED = "as recorded"  # a structure of which nobody reads every part


class Told(TypedDict):
    """One thing that differs; all four are text, `command` is empty where no one command can do it."""

    what: str
    before: str
    now: str
    command: str


def told(what: str, before: object, now: object, command: str = "") -> Told:
    """One difference; the two values in words."""
    return {"what": what, "before": in_words(before), "now": in_words(now), "command": command}


def came_or_went(what: str, before: object, command: str = "") -> Told:
    """Something that has no value but that it is there; `before` None: it was not."""
    was_there = before is not None
    return {
        "what": what,
        "before": THERE if was_there else NOT_THERE,
        "now": GONE if was_there else THERE,
        "command": command,
    }


def in_words(value: object) -> str:
    """A value in a few words: at most `LONGEST_TEXT` characters, never the dump of a structure."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, Mapping):
        return AS_RECORDED if value else "none"
    if isinstance(value, (list, tuple)):
        text = ", ".join(map(in_words, value)) or "none"
    else:
        text = " ".join(str(value).split()) or "empty"
    return text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "…"


def leaves(before: object, now: object, path: Tuple[str, ...] = ()) -> Iterator[Tuple[Tuple[str, ...], object, object]]:
    """(where, before, now) of every single value that differs between two nested values; None for a missing one."""
    if before == now:
        return
    if not isinstance(before, Mapping) or not isinstance(now, Mapping):
        yield path, before, now
        return
    for key in [*before, *(key for key in now if key not in before)]:
        yield from leaves(before.get(key), now.get(key), (*path, str(key)))


def bounded(lines: List[Told]) -> List[Told]:
    """At most `MAX_LINES`, the last of which says how many were left out."""
    if len(lines) <= MAX_LINES:
        return lines
    more = len(lines) - MAX_LINES + 1
    return [
        *lines[: MAX_LINES - 1],
        {"what": f"{more} more", "before": AS_RECORDED, "now": "different", "command": ""},
    ]
