"""The settings a plan can vary: one file each, all with the same five verbs (see base.py)."""

from __future__ import annotations

from orchestrator.onhost.settings.catalogue import CATALOGUE, catalogue
from orchestrator.onhost.settings.order import in_order

__all__ = ["CATALOGUE", "catalogue", "in_order"]
