"""What a socket of ours is bound to and told, where there is no device to bind to, no error queue and no such stamps.

Numbers: sys/socket.h, netinet/in.h and netinet6/in6.h of FreeBSD.
"""

from __future__ import annotations

import contextlib
import errno
import socket
import sys
from typing import List, Optional

from orchestrator.onhost import netlink
from orchestrator.onhost.system.network_error import NetworkError

SO_TIMESTAMPNS: Optional[int] = None  # its stamps are of other forms on each of the family: times of reading count
_IP_DONTFRAG, _IPV6_DONTFRAG = 67, 62


def bind_to_interface(sock: socket.socket, interface: str, local: str) -> None:
    """Nothing binds a socket to a device: make sure that the address is the interface's own.

    By which interface it leaves is for the routing table to say; two interfaces in one network are one too many.
    """
    if local not in [each["address"] for each in netlink.addresses(socket.if_nametoindex(interface))]:
        raise OSError(errno.EADDRNOTAVAIL, "not an address of the interface")


def forbid_fragments(udp: socket.socket, family: int) -> None:
    """Frames leave whole or not at all, where the system can be told so; a link without routers cuts none anyway."""
    if family == 6:
        with contextlib.suppress(OSError):
            udp.setsockopt(socket.IPPROTO_IPV6, _IPV6_DONTFRAG, 1)
    elif sys.platform.startswith("freebsd"):
        udp.setsockopt(socket.IPPROTO_IP, _IP_DONTFRAG, 1)


def queue_errors(udp: socket.socket, family: int) -> None:
    """There is no queue; what the own interface drops is an error of the send call here (ENOBUFS)."""


def stamp_arrivals(sock: socket.socket) -> None:
    """The times at which we read have to do."""


def path_mtu_bytes(connected: socket.socket, family: int) -> Optional[int]:
    """Not told."""
    return None


def queued_errors(udp: socket.socket) -> List[NetworkError]:
    """Never any."""
    return []
