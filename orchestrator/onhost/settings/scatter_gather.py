"""Letting the card collect a frame from several places in memory."""

from __future__ import annotations

from orchestrator.onhost.settings.features import FeatureSwitch


class ScatterGather(FeatureSwitch):
    """Switched off it takes segmentation along, which needs it."""

    name = "scatter-gather"
    doc = "Whether the card collects a frame from several places in memory."
    features = ("tx-scatter-gather",)
    after = ("checksum-offload",)
