"""Computing and checking checksums in the card."""

from __future__ import annotations

from orchestrator.onhost.settings.features import FeatureSwitch


class ChecksumOffload(FeatureSwitch):
    """Switched off it takes segmentation along, which needs it; both come back together."""

    name = "checksum-offload"
    doc = "Whether the card computes and checks checksums."
    features = ("tx-checksum-ipv4", "tx-checksum-ip-generic", "tx-checksum-ipv6", "rx-checksum")
