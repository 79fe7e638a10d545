"""Network interfaces as ifconfig(8) tells them, in the words of netlink; what it does not tell is None."""

from __future__ import annotations

import errno
import socket
from typing import Dict, List, Optional

from orchestrator.onhost.bsd.ifconfig import Interface, read_interfaces, set_mtu
from orchestrator.onhost.netlink.channel import NetlinkError
from orchestrator.onhost.netlink.entries import Link

_CARRIES = ("active", "associated", "running")  # of `status:`; anything else is "no carrier" or worse


def links() -> List[Link]:
    """Every interface; sizes in bytes."""
    indexes = {name: index for index, name in socket.if_nameindex()}
    return [_described(each, indexes) for each in read_interfaces() if each.name in indexes]


def find_link(name: str) -> Optional[Link]:
    """The interface called `name`, or None."""
    return next((link for link in links() if link["name"] == name), None)


def set_link(index: int, *, mtu: Optional[int] = None, transmit_queue_length: Optional[int] = None) -> None:
    """Change an interface's MTU; raise NetlinkError with the system's own reason."""
    if transmit_queue_length is not None:
        raise NetlinkError(errno.EOPNOTSUPP, "ifconfig changes no queue")
    if mtu is None:
        return
    try:
        set_mtu(socket.if_indextoname(index), mtu)
    except OSError as error:
        raise NetlinkError(error.errno, error.strerror or str(error)) from error


def _described(interface: Interface, indexes: Dict[str, int]) -> Link:
    up = "UP" in interface.flags
    carrier = interface.status in _CARRIES if interface.status else "RUNNING" in interface.flags
    parent = indexes.get(interface.lies_on[0]) if len(interface.lies_on) == 1 else None
    return {
        "index": indexes[interface.name],
        "name": interface.name,
        "up": up,
        "mtu": interface.mtu,
        "loopback": "LOOPBACK" in interface.flags,
        "mac": interface.mac,
        "permanent_mac": "",
        "kind": "vlan" if parent else "",
        "operstate": "up" if up and carrier else "down",
        "carrier": carrier,
        "qdisc": "",
        "master": None,
        "parent": parent,
        "min_mtu": None,
        "max_mtu": None,
        "transmit_queue_length": None,
        "gro_max_size": None,
        "gso_max_size": None,
        "gso_max_segs": None,
        "carrier_changes": None,
    }


def described(_: bytes) -> Link:
    """Refused: no kernel of this family sends such messages."""
    raise NetlinkError(errno.EOPNOTSUPP, "this system has no netlink")
