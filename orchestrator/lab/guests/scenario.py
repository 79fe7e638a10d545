"""What a lab of guests looks like: names, memory, cores, cards; addresses as the lab's other hosts have them."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.recipe import CLOUD, Recipe
from orchestrator.lab.scenario import CONTROL_PREFIX, MEASURED_PREFIX_4, MEASURED_PREFIX_6, LabHost, lab_host


@dataclass(frozen=True)
class Guest:
    """One machine; its `number` (11..99) gives all its addresses, as `lab_host` says.

    `cards` sit on the measured network: the first is `eth1` with the host's addresses, further ones are `eth2` ...
    without an address.
    """

    name: str
    number: int
    cards: tuple[Card, ...] = (Card(),)
    recipe: Recipe = CLOUD
    kernel: int = 0  # which of the recipe's kernels it boots until it chooses another
    memory_mb: int = 256
    cores: int = 1

    @property
    def host(self) -> LabHost:
        """Its name and addresses."""
        return lab_host(self.name, self.number)

    def mac(self, card: int) -> str:
        """Hardware address of the card with this index; locally administered."""
        return self.host.measured_mac if card == 0 else f"02:00:5e:10:{card + 2:02x}:{self.number:02x}"

    def port(self, card: int) -> str:
        """The switch's port that the card with this index is plugged into."""
        return f"port-{self.name}" if card == 0 else f"por{card + 1}-{self.name}"

    @property
    def interfaces(self) -> str:
        """The guest's file /etc/lab/interfaces."""
        host = self.host
        lines = [f"{host.control_mac} eth0 {host.control_address}/{CONTROL_PREFIX}"]
        for card in range(len(self.cards)):
            own = (
                f" {host.measured_address_4}/{MEASURED_PREFIX_4} {host.measured_address_6}/{MEASURED_PREFIX_6}"
                if card == 0
                else ""
            )
            lines.append(f"{self.mac(card)} eth{card + 1}{own}")
        return "\n".join(lines) + "\n"


OBSERVATORY = (Guest("dome", 11), Guest("hall", 12))
