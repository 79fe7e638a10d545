"""Whether an end may tell the other to stop sending for a moment (IEEE 802.3 Annex 31B)."""

from __future__ import annotations

from typing import Dict, Mapping

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.driver_table import WholeTable

_LEVELS = {
    "off": {"autoneg": 0, "rx": 0, "tx": 0},
    "receive": {"autoneg": 0, "rx": 1, "tx": 0},
    "transmit": {"autoneg": 0, "rx": 0, "tx": 1},
    "both": {"autoneg": 0, "rx": 1, "tx": 1},
    "negotiated": {"autoneg": 1},
}


class PauseFrames(WholeTable[Dict[str, int]]):
    """`receive` heeds the other end's pause frames, `transmit` sends them. What is negotiated is up to both ends."""

    name = "pause-frames"
    unit = ""
    doc = "Whether pause frames are heeded (receive), sent (transmit), both, neither, or as negotiated."
    example = "off"
    domain_text = ", ".join(_LEVELS)
    costly = True
    table = ethtool.PAUSE
    option, called, switches = "-A", "pause frames", table.words
    touches = ("pause:{target}:*", "negotiation:{target}:advertised")
    # forcing a speed resets what is said about pause
    after = ("speed",)

    def _parsed(self, level: object) -> Dict[str, int]:
        if not isinstance(level, str) or level not in _LEVELS:
            raise ValueError(f"pause frames are {', '.join(_LEVELS)}, not {levels.shown(level)}")
        return _LEVELS[level]

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        return self._parsed(level)
