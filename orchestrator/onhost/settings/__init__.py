"""The settings a plan can vary: one file each, all with the same five verbs (see base.py)."""

from __future__ import annotations

from orchestrator.onhost.settings.catalogue import CATALOGUE, FAMILIES, catalogue
from orchestrator.onhost.settings.order import in_order

__all__ = ["CATALOGUE", "FAMILIES", "catalogue", "in_order"]
