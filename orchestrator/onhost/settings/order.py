"""In which order settings that depend on each other are applied; restoring goes the other way. Pure."""

from __future__ import annotations

import fnmatch
from typing import Any, List, Mapping, Optional, Sequence, Set

from orchestrator.onhost.settings.base import Setting


def in_order(uses: Sequence[Mapping[str, Any]], settings: Mapping[str, Setting]) -> List[Mapping[str, Any]]:
    """`uses` (each has a key "setting") so that every setting comes after those it names in `after`.

    Otherwise their order stays; a circle among the names would be broken at its first member. A name that this version
    does not know (a record that another one left) waits for nothing.
    """
    waiting = list(uses)
    ordered: List[Mapping[str, Any]] = []
    while waiting:
        names = {use["setting"] for use in waiting}
        ready = next((use for use in waiting if not _waits(settings.get(use["setting"]), names)), waiting[0])
        waiting.remove(ready)
        ordered.append(ready)
    return ordered


def _waits(setting: Optional[Setting], names: Set[str]) -> bool:
    """Whether one of `names` is to come first; a name in `after` may be a pattern, for the members of a family."""
    return setting is not None and any(
        fnmatch.fnmatchcase(name, pattern) for pattern in setting.after for name in names
    )
