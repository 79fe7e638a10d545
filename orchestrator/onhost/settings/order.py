"""In which order settings that depend on each other are applied; restoring goes the other way. Pure."""

from __future__ import annotations

import fnmatch
from typing import List, Mapping, Optional, Sequence, Set, TypeVar

from orchestrator.onhost.settings.base import Setting

Use = TypeVar("Use", bound=Mapping[str, object])


def in_order(uses: Sequence[Use], settings: Mapping[str, Setting]) -> List[Use]:
    """`uses` (each has a key "setting") so that every setting comes after those it names in `after`.

    Otherwise their order stays; a circle among the names would be broken at its first member. A name that this version
    does not know (a record that another one left) waits for nothing.
    """
    waiting = list(uses)
    ordered: List[Use] = []
    while waiting:
        names = {str(use["setting"]) for use in waiting}
        ready = next((use for use in waiting if not _waits(settings.get(str(use["setting"])), names)), waiting[0])
        waiting.remove(ready)
        ordered.append(ready)
    return ordered


def _waits(setting: Optional[Setting], names: Set[str]) -> bool:
    """Whether one of `names` is to come first; a name in `after` may be a pattern, for the members of a family."""
    return setting is not None and any(
        fnmatch.fnmatchcase(name, pattern) for pattern in setting.after for name in names
    )
