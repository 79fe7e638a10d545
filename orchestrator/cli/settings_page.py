"""The list of settings and traffic factors as a Markdown page: `plans/settings.md` is made by it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from orchestrator.planning.cautions import STANDING

_HEAD = """\
# What a plan can vary

Made by `linktrial settings --markdown > plans/settings.md`; a test holds it to the code.

A factor named like a setting varies it at both ends. `{setting: NAME, at: HOST}`, or `at: HOST INTERFACE`, varies it at
one place, and `hold` fixes it for a whole run. Each setting is read before its first change, read back after every
change, and restore at the end. What a driver rounds or refuses is seen by the reading back and told.

On a host of the BSD family (`system: bsd`) of all these only `mtu` can be set, from 1280 on; proven against an emulated
BSD host only.
"""


def page(settings: Sequence[Mapping[str, Any]], factors: Sequence[Mapping[str, Any]]) -> str:
    """The whole page. `settings` and `factors` are the entries that `linktrial settings --json` prints."""
    parts = [
        _HEAD,
        "## Cautions",
        "\n".join(f"- {_plain(text)}" for text in STANDING),
        "## Settings: what changes a host",
        *map(_setting, settings),
        "## Traffic factors: what changes the traffic",
        *map(_factor, factors),
    ]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _setting(entry: Mapping[str, Any]) -> str:
    place = "an interface" if entry["scope"] == "interface" else "the whole host"
    needs = "root" if entry["privilege"] == "root" else "no privilege"
    lasts = "may survive a restart" if entry["survives_reboot"] else "is gone after a restart"
    costly = "; a change takes seconds, so it is made as seldom as possible" if entry["costly"] else ""
    if entry["restarts"]:
        lasts, costly = "each level is for one restart of the host, which takes it back", ""
    return _entry(entry, f"Of {place}; needs {needs}; {lasts}{costly}.")


def _factor(entry: Mapping[str, Any]) -> str:
    return _entry(entry, f"{entry['transport'].upper()} only." if entry["transport"] else "")


def _entry(entry: Mapping[str, Any], remark: str) -> str:
    return "\n\n".join([f"### `{entry['name']}`", *_lines(entry, remark)])


def _lines(entry: Mapping[str, Any], remark: str) -> Iterator[str]:
    yield _plain(entry["doc"])
    if remark:
        yield remark
    unit = f", in {entry['unit']}" if entry["unit"] else ""
    yield f"Levels: {_plain(entry['domain'])}{unit}. Example: `{entry['example']}`."


def _plain(text: str) -> str:
    """Text in which Markdown sees no markup."""
    return "".join(f"\\{sign}" if sign in "\\*_<>[]|" else sign for sign in text)
