"""What is not as it was found on a host, in lines that a person reads, wherever they are shown. Pure.

One place for terminal, report.md, report.html, `recover` and `show`: what one of them says, all of them say. The words
of each difference are the host's own (`told`); entries of older journals have none, and get plainer ones here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from orchestrator.decide.shapes.uses import RestoreResult, Stay
from orchestrator.stored import Json

Told = RestoreResult | Json  # the latter: a host's part of run.json, which is read as it is
MOST_LINES = 12  # of one host where people read; run.json has them all
_LONGEST_TEXT = 100
CHANGED_BY_OTHERS = "changed by somebody else, so it was left as it is"


@dataclass(frozen=True)
class Difference:
    """One thing on a host that differs from how it was found. All are text; `why` and `command` may be empty."""

    what: str
    before: str
    now: str
    command: str
    why: str = ""

    def on(self, host: str) -> str:
        """The whole line."""
        return f"{self.what} on {host}: {self.text}"

    @property
    def text(self) -> str:
        """The line without what and where."""
        why = f" ({self.why})" if self.why else ""
        mend = f"; to put it right: {self.command}" if self.command else ""
        return f"{self.before} before, {self.now} now{why}{mend}"


def remaining(result: Told) -> list[Difference]:
    """What is not as found after restoring, each thing once.

    `result` is a Restored event's, or a host's part of run.json: left, conflicts, restart, differences or touched.
    """
    differences = result.get("differences") or {}
    touched = differences.get("touched") or result.get("touched") or ()
    found = [*_of_places(result.get("left") or (), ""), *_of_places(result.get("conflicts") or (), CHANGED_BY_OTHERS)]
    named = {one.what for one in found} | {one.command for one in found if one.command}
    found += [one for one in _of_image(touched) if one.what not in named and one.command not in named]
    return [*found, *_of_restarts(result.get("restart") or ())]


def others(result: Told) -> list[Difference]:
    """What else differs from before the run: nothing that it touched."""
    differences = result.get("differences") or {}
    return list(_of_image(differences.get("other") or result.get("other") or ()))


def accepted(result: Told) -> list[Difference]:
    """What was found changed and is kept, because the host's owner said so."""
    entries = result.get("accepted") or ()
    return [
        *_of_places([one for one in entries if "key" not in one], ""),
        *_of_image([one for one in entries if "key" in one]),
    ]


def is_as_found(result: Told) -> bool:
    """Whether a restoring that ended so has left nothing that the run changed: what everybody must agree on."""
    differences = result.get("differences") or {}
    return not (result.get("left") or result.get("conflicts") or differences.get("touched") or result.get("touched"))


def lines(host: str, result: Told, most: int = MOST_LINES) -> list[str]:
    """The remaining differences as whole lines, at most `most`, and where the others are."""
    return as_lines(host, remaining(result), most)


def as_lines(host: str, found: Sequence[Difference], most: int = MOST_LINES) -> list[str]:
    """Differences on one host as whole lines, at most `most`, and where the others are."""
    shown = [one.on(host) for one in found[:most]]
    return shown + ([f"and {len(found) - most} more on {host}, in run.json"] if len(found) > most else [])


def _of_places(entries: Sequence[Stay], why: str) -> Iterator[Difference]:
    for entry in entries:
        reason = why or _reason(entry)
        words = entry.get("told")
        told = [each for each in words if isinstance(each, Mapping)] if isinstance(words, list | tuple) else []
        for each in told:
            yield replace(_as_told(each), why=reason)
        if not told and not (entry.get("setting") or entry.get("what")):  # the host could not be asked at all
            yield Difference("what the run changed", "as recorded", "not known", "", reason)
        elif not told:
            where = (
                f"{entry.get('setting', '?')} of {entry['target']}"
                if entry.get("target")
                else str(entry.get("setting", entry.get("what", "?")))
            )
            yield Difference(where, *_both(entry), str(entry.get("command") or ""), reason)


def _as_told(entry: Mapping[str, object]) -> Difference:
    return Difference(*(str(entry.get(key, "")) for key in ("what", "before", "now", "command")))


def _reason(entry: Stay) -> str:
    """Why it could not be restored; that it was changed is what the line says anyway."""
    return str(entry.get("why") or "")


def _of_image(entries: Sequence[Stay]) -> Iterator[Difference]:
    for entry in entries:
        told = entry.get("told")
        if isinstance(told, Mapping):
            yield _as_told(told)
        else:
            yield Difference(str(entry.get("what", "?")), *_both(entry), str(entry.get("command") or ""))


def _of_restarts(entries: Sequence[Stay]) -> Iterator[Difference]:
    for entry in entries:
        yield Difference(
            str(entry.get("setting", "?")), "in effect", "restored, and in effect from the next start on", "reboot"
        )


def _both(entry: Stay) -> tuple[str, str]:
    """Before and now of an entry without words: single values as they are, of two structures where they differ."""
    before, now = entry.get("before"), entry.get("now")
    if isinstance(before, Mapping) and isinstance(now, Mapping):
        keys = [str(key) for key in before if before[key] != now.get(key)]
        single = {
            key: (before[key], now.get(key))
            for key in keys
            if not isinstance(before[key], Mapping | list) and not isinstance(now.get(key), Mapping | list)
        }
        return (
            ", ".join(f"{key} {_short(was)}" for key, (was, _) in single.items()) or "as recorded",
            ", ".join(f"{key} {_short(is_now)}" for key, (_, is_now) in single.items())
            or f"different in {', '.join(keys) or 'what was added'}",
        )
    return _short(before), _short(now)


def _short(value: object) -> str:
    if isinstance(value, Mapping) or (isinstance(value, list) and any(isinstance(one, Mapping) for one in value)):
        return "as recorded"
    text = "none" if value is None else " ".join(str(value).split())
    return text if len(text) <= _LONGEST_TEXT else text[: _LONGEST_TEXT - 1] + "…"
