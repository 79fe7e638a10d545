"""For each difference between two images: its name, and the command with which a person puts it right. Pure."""

from __future__ import annotations

from shlex import quote
from typing import Any, Callable, Dict, Tuple

from orchestrator.onhost.safety import spelled

Item = Any  # of an image, as JSON has it: each section's speller knows what its own are

_LINK_WORDS = {"mtu": "mtu", "transmit_queue_length": "txqueuelen", "mac": "address"}
_TABLE_OPTIONS = {"ring": "-G", "coalescing": "-C", "pause": "-A", "channels": "-L"}
_ON_OFF_WORDS = ("adaptive-rx", "adaptive-tx", "autoneg")
_SWITCHES = ("off", "on")
_CPU_TREE = "/sys/devices/system/cpu"
_CALLED = {"transmit_queue_length": "transmit queue length", "up": "switched on", "mac": "hardware address"}


# in this order one command does not undo or hinder the next: a new MTU brings IPv6 back, sysctls decide about addresses
_MENDING_ORDER = ("link", "sysctl", "address", "route", "neighbour")


# features that others need: each command would be refused before them
_NEEDED_FIRST = (
    "tx-checksum-ipv4",
    "tx-checksum-ip-generic",
    "tx-checksum-ipv6",
    "rx-checksum",
    "tx-scatter-gather",
    "tx-generic-segmentation",
    "tx-tcp-segmentation",
    "tx-tcp6-segmentation",
)


def mending_rank(key: str) -> Tuple[int, int, str]:
    """Sorts keys so that their commands can be typed one after the other; routes to a gateway after the others."""
    section, _, detail = key.split(":", 2)
    rank = _MENDING_ORDER.index(section) if section in _MENDING_ORDER else len(_MENDING_ORDER)
    within = len(_NEEDED_FIRST)
    if section == "route":
        within = int(not detail.endswith(" "))
    elif section == "feature" and detail in _NEEDED_FIRST:
        within = _NEEDED_FIRST.index(detail)
    return rank, within, key


def called(key: str) -> str:
    """The thing as a person names it, such as `mtu of eth1`."""
    section, interface, detail = key.split(":", 2)
    detail = detail.split()[1] if section == "route" else _CALLED.get(detail, detail)
    words = detail if section == "link" else f"{section} {detail}".rstrip()
    return f"{words} of {interface}" if interface and f"/{interface}/" not in words else words


def mend_command(key: str, before: Item, now: Item) -> str:
    """What a person types; `before` None means that the thing was not there, `now` None that it is gone.

    Empty where no one command can do it.
    """
    section, interface, detail = key.split(":", 2)
    if section in _COMING_AND_GOING and before is None:
        return _removal(section, interface, now)
    if before is None:
        return ""
    if section in _TABLE_OPTIONS:
        value = _SWITCHES[bool(before)] if detail in _ON_OFF_WORDS or section == "pause" else before
        return f"ethtool {_TABLE_OPTIONS[section]} {quote(interface)} {quote(detail)} {value}"
    spell = _SPELLED.get(section)
    return spell(interface, detail, before) if spell else ""


_COMING_AND_GOING = ("address", "route", "neighbour")


def _removal(section: str, interface: str, now: Item) -> str:
    if section == "address":
        return f"ip address delete {now['address']}/{now['prefix']} dev {quote(interface)}"
    if section == "route":
        return spelled.route_command(now, interface).replace(" replace ", " delete ", 1)
    return f"ip neighbour delete {'proxy ' if now['proxy'] else ''}{now['address']} dev {quote(interface)}"


def _link(interface: str, detail: str, before: Item) -> str:
    if detail == "up":
        return f"ip link set dev {quote(interface)} {'up' if before else 'down'}"
    return f"ip link set dev {quote(interface)} {_LINK_WORDS[detail]} {before}"


def _qdisc(interface: str, _: str, before: Item) -> str:
    root = next((each for each in before if each["root"]), None)
    if root is None or root["default"]:
        return spelled.default_queueing_command(interface)
    return f"tc qdisc replace dev {quote(interface)} root {root['kind']}"


def _energy(interface: str, detail: str, before: Item) -> str:
    word = {"enabled": "eee", "advertised": "advertise", "tx-lpi-enabled": "tx-lpi", "tx-lpi-timer": "tx-timer"}[detail]
    value = {"advertise": hex(before), "tx-timer": str(before)}.get(word, _SWITCHES[bool(before)])
    return f"ethtool --set-eee {quote(interface)} {word} {value}"


def _negotiation(interface: str, detail: str, before: Item) -> str:
    if detail == "advertised":
        return f"ethtool -s {quote(interface)} advertise {sum(1 << bit for bit in before):#x}"
    if detail == "speed_bit_s":
        return f"ethtool -s {quote(interface)} speed {before // 1_000_000}" if before else ""
    return f"ethtool -s {quote(interface)} {quote(detail)} {_SWITCHES[before] if detail == 'autoneg' else before}"


_SPELLED: Dict[str, Callable[[str, str, Item], str]] = {
    "link": _link,
    "address": lambda interface, _, before: spelled.address_command(before, interface),
    "route": lambda interface, _, before: spelled.route_command(before, interface),
    "neighbour": lambda interface, _, before: spelled.neighbour_command(before, interface),
    "qdisc": _qdisc,
    "feature": lambda interface, detail, before: f"ethtool -K {quote(interface)} {quote(detail)} {before}",
    "energy": _energy,
    "negotiation": _negotiation,
    "steering": lambda interface, detail, before: spelled.write_command(f"/sys/class/net/{interface}/{detail}", before),
    "interrupt": lambda _, detail, before: spelled.write_command(f"/proc/irq/{detail}", before),
    "sysctl": lambda _, detail, before: spelled.sysctl_command(f"net/{detail}", before),
    "clock": lambda _, detail, before: spelled.write_command(f"{_CPU_TREE}/{detail}", before),
    "trace": lambda _, detail, _before: f"rm -r {quote(detail)}",
}
