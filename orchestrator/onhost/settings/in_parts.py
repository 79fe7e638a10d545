"""What settings share whose value is {part: value}, of which each part is restored by a command of its own."""

from __future__ import annotations

from typing import Dict, Generic, Iterator, TypeVar

from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings.base import Level, SettingOf

Part = TypeVar("Part")


class InParts(SettingOf[Level, Dict[str, Part]], Generic[Level, Part]):
    """Parts are told and restored one by one, unless a subclass says that they do not stand alone."""

    by_part = True

    def _told(self, target: str, before: Dict[str, Part], now: Dict[str, Part]) -> Iterator[Told]:
        if not self.by_part:
            yield from super()._told(target, before, now)
            return
        for part in [*before, *(part for part in now if part not in before)]:
            if before.get(part) != now.get(part):
                command = self._mended(target, {part: before[part]}) if part in before else ""
                yield told(self._part_called(target, part), before.get(part), now.get(part), command)

    def _part_called(self, target: str, part: str) -> str:
        """A part of the value as a person names it."""
        return f"{part} of {target}" if target else part
