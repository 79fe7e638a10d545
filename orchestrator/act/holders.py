"""Who holds a host, for whoever finds it held: by login name, since when, with which run, and what to do. Pure."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

HELD = ("busy", "unclean")  # codes of a host that is another run's, or still owes what an earlier one changed
_LONGEST_WORDS = 300


def holder_words(login: str, machine: str, process: int, folder: str) -> str:
    """What a host is told of us: at most 200 printable characters, the folder's end cut off first."""
    words = f"{login}@{machine}, process {process}, folder {folder}"
    return "".join(letter if letter.isprintable() else "?" for letter in words)[:200]


def held_by(code: str, values: Mapping[str, Any]) -> tuple[str, str] | None:
    """(sentence without the host's name, what to do) from what a host says of its holder; None when it says too little.

    The time is the host's own clock.
    """
    run_id, holder, since_ns, left_s = (values.get(key) for key in ("run_id", "holder", "since_wall_ns", "left_s"))
    if not isinstance(run_id, str) or not isinstance(holder, str) or not isinstance(since_ns, int):
        return None
    who, _, rest = _plain(holder).partition(", ")
    folder = shlex.quote(rest.partition("folder ")[2] or "ITS-FOLDER")
    run = f"the run {_plain(run_id)}" + (f" ({rest})" if rest else "")
    try:
        since = datetime.fromtimestamp(since_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC")
    except (OverflowError, ValueError, OSError):
        return None
    if code == "unclean":
        left = _places(values.get("changes"))
        do = (
            f"restore it: linktrial recover {folder} (where its folder is lost: its plan); if the run is not yours, "
            f"ask {who}"
        )
        return f"{run} of {who}, begun {since}, has left changes on this host{left}", do
    lease = f"; its lease ends in {left_s:.0f} s, renewed while it runs" if isinstance(left_s, int | float) else ""
    do = (
        f"wait for its end, or ask {who}; a run that is dead lets go when its lease ends, and one that is yours at "
        f"once: linktrial recover {folder}"
    )
    return f"{who} holds this host since {since} with {run}{lease}", do


def _places(changes: Any) -> str:
    if not isinstance(changes, list):
        return ""
    places = [f"{one.get('setting')} {one.get('target')}" for one in changes[:8] if isinstance(one, dict)]
    named = [_plain(place) for place in places]
    return f": {', '.join(named)}" if named else ""


def _plain(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)[:_LONGEST_WORDS].strip()
