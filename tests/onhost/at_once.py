"""What a double of a setting answers whose levels take no restart."""

from __future__ import annotations

from typing import Any


class AtOnce:
    """For doubles that have `verify`."""

    def restarts(self, level: Any) -> bool:
        return False

    def restart_due(self, before: Any, now: Any) -> bool:
        return False

    def forget(self, target: str) -> None:
        """Nothing is remembered."""

    def holds_ours(self, target: str, level: Any) -> bool:
        return bool(self.verify(target, level)["ok"])  # type: ignore[attr-defined] # the double's own
