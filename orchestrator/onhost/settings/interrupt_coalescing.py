"""How long, and for how many frames, a card waits before it interrupts."""

from __future__ import annotations

from typing import Dict, Mapping

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.driver_table import WholeTable

_ADAPTIVE = ("adaptive-rx", "adaptive-tx")


class InterruptCoalescing(WholeTable[Dict[str, int]]):
    """Any words of the driver's table. Adaptive coalescing makes fixed values idle although they read back equal.

    So a level that fixes a time or number of frames switches the adaptive kind off, unless it says otherwise.
    """

    name = "interrupt-coalescing"
    unit = "us, frames"
    doc = "How long and for how many frames the card waits before it interrupts; fixed values switch adaptive off."
    example = "rx-usecs=50 tx-usecs=50"
    domain_text = "words of the driver's table with their values: " + ", ".join(ethtool.COALESCING.words[:8]) + ", ..."
    table = ethtool.COALESCING
    option, called, switches = "-C", "interrupt coalescing", _ADAPTIVE
    touches = ("coalescing:{target}:*",)
    after = ("channels", "receive-ring", "transmit-ring")

    def _parsed(self, level: object) -> Dict[str, int]:
        words = levels.pairs(level, self.table.words, "interrupt coalescing", _ADAPTIVE)
        for way in ("rx", "tx"):
            if any(name.startswith(f"{way}-") for name in words):
                words.setdefault(f"adaptive-{way}", 0)
        return words

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        return self._parsed(level)
