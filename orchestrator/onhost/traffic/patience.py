"""Waiting for something that moves."""

from __future__ import annotations

import time

from orchestrator.onhost.traffic.window import DRAIN_NS


class Patience:
    """Waiting for something that moves: over when it has not moved for two seconds, or at the latest at an instant."""

    def __init__(self, until_ns: int) -> None:
        self._until_ns = until_ns
        self._moved_ns = time.monotonic_ns()
        self._last = -1

    def lasts(self, position: int) -> bool:
        """Whether to go on waiting; `position` tells where the thing is now."""
        now = time.monotonic_ns()
        if position != self._last:
            self._last, self._moved_ns = position, now
        return now < self._until_ns and now - self._moved_ns < DRAIN_NS
