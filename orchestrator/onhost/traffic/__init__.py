"""The traffic pair: TCP and UDP, pacing, counting. The host's jobs are `serve` and `dial`."""

from __future__ import annotations

from orchestrator.onhost.traffic.job import dial, serve

__all__ = ["dial", "serve"]
