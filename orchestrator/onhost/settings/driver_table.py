"""What the settings share that are words of one of a driver's tables: rings, coalescing, pause, channels."""

from __future__ import annotations

from shlex import quote
from typing import Dict, Generic, Mapping, Tuple

from orchestrator.onhost import ethtool
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings.base import CANNOT, Level, SettingOf, Value
from orchestrator.onhost.settings.in_parts import InParts


class DriverTable(SettingOf[Level, Value], Generic[Level, Value]):
    """The words that a level asks for are written together."""

    table: ethtool.Table = ethtool.RINGS
    option = ""  # how a person changes the table with ethtool
    called = ""  # how a person calls it
    switches: Tuple[str, ...] = ()  # words that a person types as on and off

    def _wanted(self, level: object, words: Mapping[str, int]) -> Dict[str, int]:
        """The words that a level asks for, where the table is `words` now."""
        raise NotImplementedError

    def _words(self, target: str) -> Dict[str, int]:
        """The table now; Refusal "cannot" when the driver has none."""
        self._link(target)
        words = self._kernel.read_table(target, self.table)
        if words is None:
            raise Refusal(CANNOT, f"the driver of {target} has no {self.called} to set")
        return words

    def _current(self, target: str, level: object) -> object:
        words = self._words(target)
        return {name: words[name] for name in (self._wanted(level, words) if level is not None else words)}

    def _holds(self, target: str, level: object) -> bool:
        words = self._words(target)
        return all(words[name] == value for name, value in self._wanted(level, words).items())

    def _cannot(self, target: str, level: object) -> str:
        """For tables that tell their maxima: which word of the level is above its own."""
        words = self._words(target)
        for name, wanted in self._wanted(level, words).items():
            most = words.get(f"{name}-max", wanted)
            if wanted > most:
                return f"the driver of {target} has at most {most} for {name}, not {wanted}"
        return ""

    def _write(self, target: str, level: object) -> None:
        self._kernel.write_table(target, self.table, self._wanted(level, self._words(target)))

    def _restore_words(self, target: str, before: Mapping[str, int]) -> None:
        now = self._words(target)
        changes = {name: value for name, value in before.items() if now[name] != value}
        if changes:
            self._kernel.write_table(target, self.table, changes)

    def _kept(self, target: str, level: object) -> str:
        words = self._wanted(level, dict.fromkeys(self.table.words, 1))
        return f"ethtool {self.option} {quote(target)} " + " ".join(
            f"{name} {self._typed(name, value)}" for name, value in words.items()
        )

    def _typed(self, name: str, number: int) -> object:
        return ("off", "on")[bool(number)] if name in self.switches else number


class WholeTable(DriverTable[Level, Dict[str, int]], InParts[Level, int]):
    """The value that is restored holds the whole table, word by word."""

    def _read(self, target: str, level: object) -> Dict[str, int]:
        return {name: value for name, value in self._words(target).items() if not name.endswith("-max")}

    def _restored(self, target: str, before: Dict[str, int]) -> None:
        self._restore_words(target, before)

    def _mended(self, target: str, value: Dict[str, int]) -> str:
        words = " ".join(
            f"{name} {self._typed(name, number)}" for name, number in value.items() if number or name in self.switches
        )
        if not words:  # a part that the driver has not, and that cannot be asked for
            return ""
        return f"ethtool {self.option} {quote(target)} {words}"

    def _part_called(self, target: str, part: str) -> str:
        return f"{self.called} {part} of {target}"
