"""UDP sockets that belong to one named interface, and the errors the network reports about what they sent.

Bound to the device, because two interfaces in one subnet are the normal bench and the routing table would choose for
us. Connected, so that the kernel itself drops what comes from any other address. Option numbers are written out: Python
3.8 has no names for them (include/uapi/linux/in.h, in6.h, errqueue.h).
"""

from __future__ import annotations

import errno
import socket
import struct
from typing import List, NamedTuple, Tuple, Union

from orchestrator.onhost.refusal import Refusal

SO_BINDTODEVICE = 25
IP_MTU_DISCOVER, IP_RECVERR, IP_MTU = 10, 11, 14
IPV6_MTU_DISCOVER, IPV6_MTU, IPV6_RECVERR, IPV6_DONTFRAG = 23, 24, 25, 62
PMTUDISC_PROBE = 3      # don't fragment, and ignore what was learned about the path
MSG_ERRQUEUE = 0x2000
ORIGIN_LOCAL, ORIGIN_ICMP, ORIGIN_ICMP6 = 1, 2, 3
_EXTENDED_ERROR = struct.Struct("=IBBBBII")     # errno, origin, type, code, padding, info, data

Address = Union[Tuple[str, int], Tuple[str, int, int, int]]


class NetworkError(NamedTuple):
    """One entry of a socket's error queue. `mtu_bytes` is 0 unless the error is "message too long"."""

    errno: int
    origin: int
    kind: int
    code: int
    mtu_bytes: int
    reported_by: str

    @property
    def is_refusal(self) -> bool:
        """Somebody said no: no such port, or a filter that answers (RFC 1122 s3.2.2.1 and RFC 4443 s3.1)."""
        if self.errno in (errno.ECONNREFUSED, errno.EPERM, errno.EACCES):
            return True
        return self.origin == ORIGIN_ICMP and self.kind == 3 and self.code in (9, 10, 13)


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
        made.setsockopt(socket.SOL_SOCKET, SO_BINDTODEVICE, interface.encode() + b"\0")
        set_dont_fragment(made, family)
        made.bind(socket_address(family, local, port, interface))
        made.connect(socket_address(family, peer, port, interface))
    except OSError as error:
        made.close()
        raise refused_to_open(error, interface, local, peer, port) from error
    return made


def refused_to_open(error: OSError, interface: str, local: str, peer: str, port: int) -> Refusal:
    """Why the socket could not be opened, in words the user can act on."""
    values = {"interface": interface, "local": local, "peer": peer, "port": port, "errno": error.errno}
    if error.errno == errno.EADDRINUSE:
        return Refusal("port_in_use", "UDP port %d on %s is in use by another program" % (port, local), **values)
    if error.errno == errno.EADDRNOTAVAIL:
        return Refusal("address_not_ready", "%s is not (or not yet) an address of %s" % (local, interface), **values)
    if error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
        return Refusal("no_route", "%s has no route to %s" % (interface, peer), **values)
    if error.errno == errno.ENODEV:
        return Refusal("interface_missing", "there is no interface %s" % interface, **values)
    return Refusal("socket_refused", "cannot open a UDP socket on %s (%s): %s" % (interface, local, error.strerror),
                   **values)


def set_dont_fragment(udp: socket.socket, family: int) -> None:
    """Frames leave whole or not at all, whatever was learned about the path; errors are queued for reading."""
    if family == 6:
        udp.setsockopt(socket.IPPROTO_IPV6, IPV6_MTU_DISCOVER, PMTUDISC_PROBE)
        udp.setsockopt(socket.IPPROTO_IPV6, IPV6_DONTFRAG, 1)
        udp.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVERR, 1)
    else:
        udp.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, PMTUDISC_PROBE)
        udp.setsockopt(socket.IPPROTO_IP, IP_RECVERR, 1)


def learned_mtu_bytes(interface: str, family: int, local: str, peer: str) -> int:
    """The path MTU the kernel believes in for `peer`, octets of IP packet.

    It is what limits TCP of the coming trial; a router's message of an earlier trial keeps it low for ten minutes.
    """
    inet, level, option = ((socket.AF_INET6, socket.IPPROTO_IPV6, IPV6_MTU) if family == 6
                           else (socket.AF_INET, socket.IPPROTO_IP, IP_MTU))
    with socket.socket(inet, socket.SOCK_DGRAM) as fresh:
        try:
            fresh.setsockopt(socket.SOL_SOCKET, SO_BINDTODEVICE, interface.encode() + b"\0")
            fresh.bind(socket_address(family, local, 0, interface))
            fresh.connect(socket_address(family, peer, 9, interface))   # nothing is sent: connect only chooses a route
            return fresh.getsockopt(level, option)
        except OSError as error:
            raise refused_to_open(error, interface, local, peer, 0) from error


def queued_errors(udp: socket.socket) -> List[NetworkError]:
    """Everything on the socket's error queue, oldest first; the queue is empty afterwards."""
    found: List[NetworkError] = []
    while True:
        try:
            _, ancillary, _, _ = udp.recvmsg(1, 512, MSG_ERRQUEUE)
        except OSError:
            return found
        found.extend(_extended_error(data) for _, _, data in ancillary if len(data) >= _EXTENDED_ERROR.size)


def _extended_error(data: bytes) -> NetworkError:
    number, origin, kind, code, _, info, _ = _EXTENDED_ERROR.unpack_from(data)
    mtu_bytes = info if number == errno.EMSGSIZE else 0
    return NetworkError(number, origin, kind, code, mtu_bytes, _offender(data[_EXTENDED_ERROR.size:]))


def _offender(raw: bytes) -> str:
    """The address behind an extended error: who reported it, "" when nobody did."""
    if len(raw) < 8:
        return ""
    family = struct.unpack_from("=H", raw)[0]
    if family == socket.AF_INET:
        return socket.inet_ntop(socket.AF_INET, raw[4:8])
    if family == socket.AF_INET6 and len(raw) >= 24:
        return socket.inet_ntop(socket.AF_INET6, raw[8:24])
    return ""
