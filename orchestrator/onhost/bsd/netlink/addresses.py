"""IP addresses of interfaces as ifconfig(8) tells them. None is ever given or taken here."""

from __future__ import annotations

import errno
import socket
from typing import List, Optional

from orchestrator.onhost.bsd.ifconfig import read_interfaces
from orchestrator.onhost.netlink.channel import NetlinkError
from orchestrator.onhost.netlink.entries import Address, AddressEntry

NO_DUPLICATE_CHECK = "nodad"


def addresses(index: Optional[int] = None) -> List[Address]:
    """Every address, or those of one interface."""
    indexes = {name: number for number, name in socket.if_nameindex()}
    return [
        {**address, "index": indexes[each.name]}
        for each in read_interfaces()
        if each.name in indexes and index in (None, indexes[each.name])
        for address in each.addresses
    ]


def add_address(index: int, entry: AddressEntry, *, no_duplicate_check: bool = False, replace: bool = False) -> None:
    """Refused."""
    raise NetlinkError(errno.EOPNOTSUPP, "addresses are not changed on this system")


def remove_address(index: int, entry: AddressEntry) -> None:
    """Refused."""
    raise NetlinkError(errno.EOPNOTSUPP, "addresses are not changed on this system")


def described(_: bytes) -> Address:
    """Refused: no kernel of this family sends such messages."""
    raise NetlinkError(errno.EOPNOTSUPP, "this system has no netlink")
