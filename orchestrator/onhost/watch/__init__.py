"""Watching a host while traffic runs: cores, clocks, quotas, heat, and every counter of the interface."""

from __future__ import annotations

from orchestrator.onhost.watch.watcher import Watcher

__all__ = ["Watcher"]
