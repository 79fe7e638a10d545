"""What ifconfig(8) prints, in the forms of FreeBSD, DragonFly, OpenBSD and NetBSD; and its one change, the MTU."""

from __future__ import annotations

import errno
import ipaddress
import re
from typing import List, NamedTuple, Optional

from orchestrator.onhost.bsd.tools import run
from orchestrator.onhost.netlink.entries import AddressEntry

_HEAD = re.compile(r"^(\S+): flags=(?:0x)?[0-9a-f]+<([^>]*)>.*?\bmtu (\d+)")
_MAC = re.compile(r"^\s+(?:ether|lladdr|address:) ((?:[0-9a-f]{2}:){5}[0-9a-f]{2})\b")
_STATUS = re.compile(r"^\s+status: (.+)$")
_BELOW = re.compile(r"\bparent(?: interface:)? (\S+)|^\s+(?:member: )(\S+)")
_FINDINGS = {"tentative": "tentative", "duplicated": "dadfailed", "deprecated": "deprecated", "detached": "tentative"}
# What it complains of (strerror of the same on all of them): which error that was.
_ERRORS = {
    "Operation not permitted": errno.EPERM,
    "Permission denied": errno.EPERM,
    "Invalid argument": errno.EINVAL,
    "not supported": errno.EOPNOTSUPP,
    "Inappropriate ioctl": errno.ENOTTY,
    "does not exist": errno.ENODEV,
    "Device not configured": errno.ENODEV,
    "Numerical result out of range": errno.ERANGE,
}


class Interface(NamedTuple):
    """One interface as it was printed. `status` is empty where none is printed (a tunnel, a loopback)."""

    name: str
    flags: List[str]
    mtu: int
    mac: str
    status: str
    lies_on: List[str]
    addresses: List[AddressEntry]


def read_interfaces() -> List[Interface]:
    """Every interface. Raises OSError."""
    said = run(["ifconfig", "-a"])
    if said.status != 0:
        raise OSError(errno.EIO, f"ifconfig: {said.complaint.strip() or said.status}")
    return parse(said.octets.decode("utf-8", "replace"))


def set_mtu(name: str, mtu: int) -> None:
    """Give an interface its MTU. Raises OSError with what ifconfig complained of."""
    said = run(["ifconfig", name, "mtu", str(mtu)])
    if said.status != 0:
        words = said.complaint.strip() or f"it ended with {said.status}"
        raise OSError(next((number for sign, number in _ERRORS.items() if sign in words), errno.EIO), words)


def parse(text: str) -> List[Interface]:
    """The interfaces in what `ifconfig -a` printed."""
    found: List[Interface] = []
    for line in text.splitlines():
        head = _HEAD.match(line)
        if head:
            found.append(Interface(head[1], head[2].split(","), int(head[3]), "", "", [], []))
        elif found and line[:1].isspace():
            found[-1] = _with_line(found[-1], line)
    return found


def _with_line(interface: Interface, line: str) -> Interface:
    mac, status, below = _MAC.match(line), _STATUS.match(line), _BELOW.search(line)
    words = line.split()
    if mac:
        return interface._replace(mac=mac[1])
    if status:
        return interface._replace(status=status[1].strip())
    if words[:1] in (["inet"], ["inet6"]):
        address = _address(words)
        return interface._replace(addresses=[*interface.addresses, *([address] if address else [])])
    if below:
        return interface._replace(lies_on=[*interface.lies_on, below[1] or below[2]])
    return interface


def _address(words: List[str]) -> Optional[AddressEntry]:
    """One address as `netlink.addresses` describes it, without its interface; None where the line is another."""
    text, _, short = words[1].partition("/")
    after = {word: words[place + 1] for place, word in enumerate(words[2:-1], 2)}
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
        if short:
            prefix = int(short)
        elif address.version == 6:
            prefix = int(after["prefixlen"])
        else:
            prefix = bin(int(after["netmask"], 16)).count("1")
    except (ValueError, KeyError):
        return None
    scope = 254 if address.is_loopback else 253 if address.is_link_local and address.version == 6 else 0
    return {
        "family": address.version,
        "prefix": prefix,
        "scope": scope,
        "address": str(address),
        "peer": after.get("-->", ""),
        "label": "",
        "broadcast": after.get("broadcast", ""),
        "flags": [flag for word, flag in _FINDINGS.items() if word in words[2:]],
        "preferred_s": None,
        "valid_s": None,
        "priority": 0,
        "protocol": 0,
    }
