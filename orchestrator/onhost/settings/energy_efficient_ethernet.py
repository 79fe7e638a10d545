"""Letting the link sleep between frames (IEEE 802.3az)."""

from __future__ import annotations

from shlex import quote
from typing import Dict, Mapping

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.driver_table import WholeTable

_KEPT = ("enabled", "advertised", "tx-lpi-enabled", "tx-lpi-timer")


class EnergyEfficientEthernet(WholeTable[bool]):
    """Saves power and costs microseconds of waking; some cards lose frames with it. A change negotiates anew."""

    name = "energy-efficient-ethernet"
    unit = ""
    doc = "Whether the link may sleep between frames; waking costs microseconds."
    example = "off"
    domain_text = "on, off"
    costly = True
    table = ethtool.ENERGY_EFFICIENCY
    by_part = False
    option, called = "--set-eee", "energy-efficient Ethernet"
    touches = ("energy:{target}:*",)
    after = ("speed",)

    def _parsed(self, level: object) -> bool:
        return levels.switch(level, self.name)

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        return {"enabled": int(self._parsed(level))}

    def _read(self, target: str, level: object) -> Dict[str, int]:
        words = self._words(target)
        return {name: words[name] for name in _KEPT}

    def _cannot(self, target: str, level: object) -> str:
        wanted = self._parsed(level)
        return f"{target} supports no energy-efficient mode" if wanted and not self._words(target)["supported"] else ""

    def _kept(self, target: str, level: object) -> str:
        return self._mended(target, {"enabled": self._parsed(level)})

    def _mended(self, target: str, value: Dict[str, int]) -> str:
        return f"ethtool --set-eee {quote(target)} eee {'on' if value['enabled'] else 'off'}"
