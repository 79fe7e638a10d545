"""UDP sockets that belong to one named interface.

Bound to the device, because two interfaces in one subnet are the normal bench and the routing table would choose for
us. Connected, so that the kernel itself drops what comes from any other address.
"""

from __future__ import annotations

import errno
import socket
from typing import Optional, Tuple, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.socket_options import bind_to_interface, forbid_fragments, path_mtu_bytes, queue_errors

Address = Union[Tuple[str, int], Tuple[str, int, int, int]]


def ip_and_udp_bytes(family: int) -> int:
    """Octets of IP and UDP header in front of the payload, without options: 28 for IPv4, 48 for IPv6."""
    return 48 if family == 6 else 28


def socket_address(family: int, address: str, port: int, interface: str) -> Address:
    """The address as the socket calls want it; link-local IPv6 addresses need the interface's number."""
    if family == 6:
        scope = socket.if_nametoindex(interface) if address.lower().startswith("fe80") else 0
        return (address, port, 0, scope)
    return (address, port)


def open_udp(interface: str, family: int, local: str, peer: str, port: int) -> socket.socket:
    """A non-blocking UDP socket between port `port` of both ends, bound to the device, don't-fragment set.

    Non-blocking because select() calls a socket with a pending error readable and a blocking read would then hang.
    """
    inet = socket.AF_INET6 if family == 6 else socket.AF_INET
    made = socket.socket(inet, socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        bind_to_interface(made, interface, local)
        forbid_fragments(made, family)
        queue_errors(made, family)
        made.bind(socket_address(family, local, port, interface))
        made.connect(socket_address(family, peer, port, interface))
    except OSError as error:
        made.close()
        raise refused_to_open(error, interface, local, peer, port) from error
    return made


def raw_socket(kind: int) -> socket.socket:
    """A socket for whole frames of an EtherType, not yet bound to an interface; Refusal where this user gets none."""
    if not hasattr(socket, "AF_PACKET"):
        raise Refusal("no_raw_frames", "frames without an address cannot be sent or heard on this system")
    try:
        return socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(kind))
    except PermissionError as error:
        raise Refusal("needs_root", "frames without an address can only be sent and heard by root") from error


def refused_to_open(error: OSError, interface: str, local: str, peer: str, port: int) -> Refusal:
    """Why the socket could not be opened, in words the user can act on."""
    values = {"interface": interface, "local": local, "peer": peer, "port": port, "errno": error.errno}
    if error.errno == errno.EADDRINUSE:
        return Refusal("port_in_use", "port %d on %s is in use by another program" % (port, local), **values)
    if error.errno == errno.EADDRNOTAVAIL:
        return Refusal("address_not_ready", "%s is not (or not yet) an address of %s" % (local, interface), **values)
    if error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
        return Refusal("no_route", "%s has no route to %s" % (interface, peer), **values)
    if error.errno == errno.ENODEV:
        return Refusal("interface_missing", "there is no interface %s" % interface, **values)
    return Refusal(
        "socket_refused", "cannot open a socket on %s (%s): %s" % (interface, local, error.strerror), **values
    )


def learned_mtu_bytes(interface: str, family: int, local: str, peer: str) -> Optional[int]:
    """The path MTU the kernel believes in for `peer`, octets of IP packet; None where it does not say.

    It is what limits TCP of the coming trial; a router's message of an earlier trial keeps it low for ten minutes.
    """
    with socket.socket(socket.AF_INET6 if family == 6 else socket.AF_INET, socket.SOCK_DGRAM) as fresh:
        try:
            bind_to_interface(fresh, interface, local)
            fresh.bind(socket_address(family, local, 0, interface))
            fresh.connect(socket_address(family, peer, 9, interface))  # nothing is sent: connect only chooses a route
            return path_mtu_bytes(fresh, family)
        except OSError as error:
            raise refused_to_open(error, interface, local, peer, 0) from error
