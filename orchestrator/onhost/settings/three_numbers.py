"""What the settings of TCP's memory share: three numbers in one file."""

from __future__ import annotations

from typing import List

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting


class ThreeNumbers(SysctlSetting[List[int]]):
    """Min, middle and max, not falling."""

    example = "4096 131072 6291456"
    domain_text = "three numbers, not falling: min, default, max"
    max = (1 << 31) - 1

    def _parsed(self, level: object) -> List[int]:
        parts = level.split() if isinstance(level, str) else level
        if not isinstance(parts, list) or len(parts) != 3:
            raise ValueError(f"{self.name} is three numbers such as {self.example}, not {levels.shown(level)}")
        numbers = [levels.whole(part, 1, self.max, self.name, self.unit) for part in parts]
        if numbers != sorted(numbers):
            raise ValueError(f"the three numbers of {self.name} must not fall: {levels.shown(level)}")
        return numbers

    def _read_level(self, text: str) -> List[int]:
        return [int(part) for part in text.split()]

    def _written(self, level: object) -> str:
        return " ".join(map(str, self._parsed(level)))
