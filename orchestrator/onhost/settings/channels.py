"""How many queues a card spreads its work over."""

from __future__ import annotations

from typing import Any, Dict, Mapping

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings import levels, queues
from orchestrator.onhost.settings.driver_table import DriverTable

_KINDS = ("combined", "rx", "tx", "other")
_MOST = 4096


class Channels(DriverTable):
    """A number stands for combined channels where the driver has such, otherwise for as many of each way.

    Drivers set steering and interrupts anew with the channels; steering is put back with them.
    """

    name = "channels"
    unit = "queues"
    doc = "How many queues the card spreads its work over."
    example = "4"
    domain_text = "a number, or for example rx=2 tx=2, within the driver's limits"
    costly = True
    table = ethtool.CHANNELS
    option, called = "-L", "channels"
    touches = ("channels:{target}:*", "steering:{target}:*", "interrupt:{target}:*", "qdisc:{target}:")

    def _parsed(self, level: object) -> Dict[str, int]:
        if isinstance(level, (int, str)) and str(level).isdigit():
            return {"any": levels.whole(level, 1, _MOST, "the number of channels")}
        return levels.pairs(level, _KINDS, "channels")

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        wanted = self._parsed(level)
        kinds = ("combined",) if words["combined-max"] else ("rx", "tx")
        return dict.fromkeys(kinds, wanted["any"]) if "any" in wanted else wanted

    def _read(self, target: str, level: object) -> Dict[str, Any]:
        words = self._words(target)
        return {"channels": {name: words[name] for name in _KINDS},
                "steering": queues.read_files(self._kernel, self._link(target), ("rps_cpus", "xps_cpus"))}

    def _put_back(self, target: str, before: Any) -> None:
        super()._put_back(target, before["channels"])
        queues.write_files(self._kernel, self._link(target), before["steering"])

    def _mended(self, target: str, value: Any) -> str:
        words = " ".join(f"{name} {number}" for name, number in value["channels"].items() if number)
        return " && ".join([f"ethtool -L {target} {words}", *queues.commands(target, value["steering"])])
