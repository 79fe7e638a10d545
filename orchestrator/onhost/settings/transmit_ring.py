"""How many descriptors the transmit ring of a card has."""

from __future__ import annotations

from orchestrator.onhost.settings.ring import Ring


class TransmitRing(Ring):
    """Most drivers stop and start the card for it; the link may drop."""

    name = "transmit-ring"
    doc = "Descriptors of the card's transmit ring."
    word = "tx"
