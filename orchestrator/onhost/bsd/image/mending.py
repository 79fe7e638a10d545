"""For each difference between two images: its name, and what a person types with ifconfig(8) to put it right. Pure.

An image here holds what ifconfig tells: whether interfaces are up, MTUs, hardware and IP addresses.
"""

from __future__ import annotations

from typing import Callable, Dict, cast

from orchestrator.onhost.netlink.entries import AddressEntry

_CALLED = {"up": "switched on", "mac": "hardware address"}
_ORDER = ("link", "address")


def mending_rank(key: str) -> tuple[int, str]:
    """Sorts keys so that their commands can be typed one after the other."""
    section = key.partition(":")[0]
    return _ORDER.index(section) if section in _ORDER else len(_ORDER), key


def called(key: str) -> str:
    """The thing as a person names it, such as `mtu of em1`."""
    section, interface, detail = key.split(":", 2)
    words = _CALLED.get(detail, detail) if section == "link" else f"{section} {detail}".rstrip()
    return f"{words} of {interface}" if interface else words


def mend_command(key: str, before: object, now: object) -> str:
    """What a person types; `before` None means that the thing was not there. Empty where no one command can do it."""
    section, interface, detail = key.split(":", 2)
    if section == "address":
        entry = before if before is not None else now  # an image holds addresses as they were found
        return _address(interface, cast(AddressEntry, entry), add=before is not None)
    spell = _SPELLED.get(detail) if section == "link" and before is not None else None
    return f"ifconfig {interface} {spell(before)}" if spell else ""


def _address(interface: str, entry: AddressEntry, *, add: bool) -> str:
    family = "inet6" if entry["family"] == 6 else "inet"
    return (
        f"ifconfig {interface} {family} {entry['address']}/{entry['prefix']} alias"
        if add
        else f"ifconfig {interface} {family} {entry['address']} -alias"
    )


_SPELLED: Dict[str, Callable[[object], str]] = {
    "mtu": lambda before: f"mtu {before}",
    "up": lambda before: "up" if before else "down",
    "mac": lambda before: f"link {before}",
}
