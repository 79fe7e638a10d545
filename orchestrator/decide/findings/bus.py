"""The bus between card and machine: narrower than it could be, or narrower than the link. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator import wire
from orchestrator.decide.findings.finding import Finding, rate_words
from orchestrator.decide.shapes.host_facts import BusFacts, InterfaceFacts

# The payload of a bus packet is negotiated; 128 bytes is what every device has, so this is what is left at the least.
_LEAST_PAYLOAD_BYTES = 128


def bus_findings(host: str, interface: InterfaceFacts) -> Iterator[Finding]:
    """A bus that carries less than the card's link could; a narrow one that carries enough is no finding."""
    link = interface.get("bus_link")
    carries = bus_bit_s(link) if link else None
    could = max(interface["speed_bit_s"] or 0, interface.get("fastest_bit_s") or 0)
    if not link or not carries or carries >= could:
        return
    yield Finding(
        "bus_limits",
        "limits",
        host,
        interface["name"],
        f"the card of {interface['name']} is on {bus_words(link)}, which leaves {rate_words(carries)} after "
        f"the bus's own packet headers; its link could run at {rate_words(could)}" + _at_best(link),
        "the bus, and not the card or the network, is what will be measured",
        "seat the card anew, or use a slot or port with more; where there is none, count on the lower figure",
    )


def bus_bit_s(link: BusFacts) -> float | None:
    """bit/s that a bus leaves for packets in one direction at the least; None for a bus that is not known here."""
    try:
        if link["kind"] == "usb":
            return wire.usb_data_bit_s(link["mbit_s"])
        return wire.pcie_payload_bit_s(wire.pcie_transfer_rate(link["speed"]), link["width"] or 0, _LEAST_PAYLOAD_BYTES)
    except ValueError:
        return None


def bus_words(link: BusFacts) -> str:
    """The bus as people name it, with what it carries before any overhead of packets."""
    if link["kind"] == "usb":
        return f"USB at {link['mbit_s']} Mb/s"
    return _pcie_words(link["speed"], link["width"])


def _pcie_words(speed: str, width: int | None) -> str:
    words = f"{speed.removesuffix(' PCIe')} x{width}"
    try:
        return f"{words} ({rate_words(wire.pcie_link_bit_s(wire.pcie_transfer_rate(speed), width or 0))})"
    except ValueError:
        return words


def _at_best(link: BusFacts) -> str:
    """What the card itself could use, where that is more."""
    if link["kind"] != "pcie" or (link["speed"], link["width"]) == (link["best_speed"], link["best_width"]):
        return ""
    return f", and it could use {_pcie_words(link['best_speed'], link['best_width'])}"
