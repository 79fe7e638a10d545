"""Joining received frames of one flow into larger blocks before the stack sees them."""

from __future__ import annotations

from orchestrator.onhost.settings.features import FeatureSwitch


class ReceiveCoalescing(FeatureSwitch):
    """By the kernel, by the card keeping the frames' borders, or by the card without."""

    name = "receive-offload"
    doc = "Whether received frames of a flow are joined into larger blocks before the stack sees them."
    features = ("rx-gro", "rx-gro-hw", "rx-lro")
    after = ("checksum-offload",)
