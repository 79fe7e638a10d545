"""Cutting large blocks into frames late: in the driver or the card."""

from __future__ import annotations

from orchestrator.onhost.settings.features import FeatureSwitch


class SegmentationOffload(FeatureSwitch):
    """UDP's is among them: left on, UDP blocks would pass a smaller port whole and say nothing about frames."""

    name = "segmentation-offload"
    doc = "Whether TCP's and UDP's large blocks are cut into frames late, by driver or card."
    features = (
        "tx-tcp-segmentation",
        "tx-tcp6-segmentation",
        "tx-tcp-ecn-segmentation",
        "tx-tcp-mangleid-segmentation",
        "tx-udp-segmentation",
        "tx-generic-segmentation",
    )
    after = ("checksum-offload", "scatter-gather")
