"""How many descriptors the receive ring of a card has."""

from __future__ import annotations

from orchestrator.onhost.settings.ring import Ring


class ReceiveRing(Ring):
    """Most drivers stop and start the card for it; the link may drop."""

    name = "receive-ring"
    doc = "Descriptors of the card's receive ring."
    word = "rx"
