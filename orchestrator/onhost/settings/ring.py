"""What the two ring sizes share."""

from __future__ import annotations

from typing import Dict, Mapping

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.driver_table import WholeTable

_MOST = 1 << 20


class Ring(WholeTable[int]):
    """A number of descriptors; drivers round it to what they can do, which the read-back shows."""

    unit = "descriptors"
    example = "4096"
    domain_text = f"1 to {_MOST}, within the driver's limits"
    costly = True
    table = ethtool.RINGS
    option, called = "-G", "rings"
    touches = ("ring:{target}:*",)
    word = ""
    # a change of channels makes the rings anew
    after = ("channels",)

    def _parsed(self, level: object) -> int:
        return levels.whole(level, 1, _MOST, f"a {self.name}", self.unit)

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        return {self.word: self._parsed(level)}
