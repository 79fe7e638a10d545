"""One change from outside, as the controller hears of it."""

from __future__ import annotations

import time
from typing import Dict, List, Optional, Set, Tuple, TypedDict

from orchestrator.onhost.safety.told import Told

MOST_CHANGES = 50  # of one trial: whoever changes more than that has made his point


class Change(TypedDict):
    """`setting` and `target` are the place's where the plan has one for it, else ""; the others are text."""

    setting: str
    target: str
    what: str
    before: str
    now: str
    by: str  # who it was, where the kernel says; else ""
    at_wall_ns: int


class Changes:
    """All changes of a trial, each told once."""

    def __init__(self) -> None:
        self.found: List[Change] = []
        self._told: Set[Tuple[str, str]] = set()

    def note(self, lines: List[Told], place: Optional[Dict[str, str]] = None, by: str = "") -> List[Change]:
        """Those of `lines` that are new; `place` {setting, target} where the plan sets what has changed."""
        new: List[Change] = []
        for line in lines:
            if (line["what"], line["now"]) in self._told or len(self.found) >= MOST_CHANGES:
                continue
            self._told.add((line["what"], line["now"]))
            where = place or {"setting": "", "target": ""}
            new.append(
                {
                    "setting": where["setting"],
                    "target": where["target"],
                    "what": line["what"],
                    "before": line["before"],
                    "now": line["now"],
                    "by": by,
                    "at_wall_ns": time.time_ns(),
                }
            )
            self.found.append(new[-1])
        return new
