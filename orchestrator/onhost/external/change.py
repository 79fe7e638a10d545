"""One external change, as the controller hears of it."""

from __future__ import annotations

import time
from typing import List, Optional, Set, Tuple

from orchestrator.onhost.safety.state import ExternalChange, Place
from orchestrator.onhost.safety.told import Told

MAX_CHANGES = 50  # of one trial: whoever changes more than that has made his point


class Changes:
    """All changes of a trial, each told once."""

    def __init__(self) -> None:
        self.found: List[ExternalChange] = []
        self._told: Set[Tuple[str, str]] = set()

    def note(self, lines: List[Told], place: Optional[Place] = None, by: str = "") -> List[ExternalChange]:
        """Those of `lines` that are new; `place` where the plan sets what has changed."""
        new: List[ExternalChange] = []
        for line in lines:
            if (line["what"], line["now"]) in self._told or len(self.found) >= MAX_CHANGES:
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
