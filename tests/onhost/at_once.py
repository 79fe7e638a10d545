"""What a double of a setting answers whose levels take no restart."""

from __future__ import annotations

from typing import Any


class AtOnce:
    """For doubles that have `verify`."""

    cheap_to_read = True
    by_part = False

    def may_be_moved_by(self, other: str) -> bool:
        return False

    def in_words(self, level: Any) -> str:
        return str(level)

    def restarts(self, level: Any) -> bool:
        return False

    def restart_due(self, before: Any, now: Any) -> bool:
        return False

    def forget(self, target: str) -> None:
        """Nothing is remembered."""

    def holds_ours(self, target: str, level: Any) -> bool:
        return bool(self.verify(target, level)["ok"])  # type: ignore[attr-defined] # the double's own

    def told(self, target: str, before: Any, now: Any) -> list[dict[str, str]]:
        return [{"what": f"place {target}", "before": str(before), "now": str(now), "command": ""}]
