"""How many queues a card spreads its work over."""

from __future__ import annotations

from shlex import quote
from typing import Dict, List, Mapping, Optional, TypedDict

from orchestrator.onhost import ethtool
from orchestrator.onhost.safety.spelled import default_queueing_command
from orchestrator.onhost.settings import default_queues, levels, queues
from orchestrator.onhost.settings.driver_table import DriverTable

_KINDS = ("combined", "rx", "tx", "other")
_MOST = 4096


class _ChannelsAlways(TypedDict):
    channels: Dict[str, int]
    steering: Dict[str, str]


class _Channels(_ChannelsAlways, total=False):
    """What goes with the channels; `waiting` are the kernel's own disciplines of the queues, None where others are."""

    waiting: Optional[List[str]]


class Channels(DriverTable[Dict[str, int], _Channels]):
    """A number stands for combined channels where the driver has such, otherwise for as many of each way.

    Drivers set steering and interrupts anew with the channels; steering is restored with them. So are the kernel's own
    disciplines of the queues, which may be of another kind where queues come into use (default_queues.py).
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

    def _read(self, target: str, level: object) -> _Channels:
        words = self._words(target)
        return {
            "channels": {name: words[name] for name in _KINDS},
            "steering": queues.read_files(self._kernel, self._link(target), ("rps_cpus", "xps_cpus")),
            "waiting": default_queues.kinds(self._kernel, self._link(target)["index"]),
        }

    def _same(self, before: _Channels, now: _Channels) -> bool:
        """Where another discipline than the kernel's has the root, those of the queues are not there to compare."""
        alike = before["channels"] == now["channels"] and before["steering"] == now["steering"]
        waiting = [each.get("waiting") for each in (before, now)]  # a record of an earlier version has none
        return alike and (None in waiting or waiting[0] == waiting[1])

    def _write(self, target: str, level: object) -> None:
        super()._write(target, level)
        index = self._link(target)["index"]
        if default_queues.are_mixed(default_queues.kinds(self._kernel, index)):
            default_queues.make_anew(self._kernel, index)

    def _restored(self, target: str, before: _Channels) -> None:
        self._restore_words(target, before["channels"])
        wanted, index = before.get("waiting"), self._link(target)["index"]
        if wanted and default_queues.kinds(self._kernel, index) not in (None, wanted):
            self._make_waiting_anew(target, before["channels"], wanted)
        queues.write_files(self._kernel, self._link(target), before["steering"])

    def _make_waiting_anew(self, target: str, channels: Mapping[str, int], wanted: List[str]) -> None:
        """A mixed set came from raising the channels after the root was made; so it is made again."""
        first = len([kind for kind in wanted if kind == wanted[0]])
        name = "combined" if channels["combined"] else "tx"
        fewer = {**channels, name: channels[name] - len(wanted) + first}
        if fewer[name] > 0:
            self._restore_words(target, fewer)
            default_queues.make_anew(self._kernel, self._link(target)["index"])
            self._restore_words(target, channels)

    def _mended(self, target: str, value: _Channels) -> str:
        words = " ".join(f"{name} {number}" for name, number in value["channels"].items() if number)
        anew = [default_queueing_command(target)] if value.get("waiting") else []
        return " && ".join([f"ethtool -L {quote(target)} {words}", *anew, *queues.commands(target, value["steering"])])
