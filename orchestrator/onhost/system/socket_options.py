"""What a socket of ours is bound to and told beyond what every system has: interface, don't-fragment, errors, times.

Option numbers are written out: Python 3.8 has no names for them (include/uapi/linux/in.h, in6.h, errqueue.h). On Linux;
a host of the BSD family runs bsd/system/socket_options.py in its place.
"""

from __future__ import annotations

import errno
import socket
import struct
from typing import List, Optional

from orchestrator.onhost.system.network_error import NetworkError

SO_BINDTODEVICE = 25
SO_TIMESTAMPNS: Optional[int] = 35  # also the type of the control message that carries the stamp
IP_MTU_DISCOVER, IP_RECVERR, IP_MTU = 10, 11, 14
IPV6_MTU_DISCOVER, IPV6_MTU, IPV6_RECVERR, IPV6_DONTFRAG = 23, 24, 25, 62
PMTUDISC_PROBE = 3  # don't fragment, and ignore what was learned about the path
MSG_ERRQUEUE = 0x2000
_EXTENDED_ERROR = struct.Struct("=IBBBBII")  # errno, origin, type, code, padding, info, data


def bind_to_interface(sock: socket.socket, interface: str, _: str) -> None:
    """Send and receive by this interface alone, whatever the routing table says."""
    sock.setsockopt(socket.SOL_SOCKET, SO_BINDTODEVICE, interface.encode() + b"\0")


def forbid_fragments(udp: socket.socket, family: int) -> None:
    """Frames leave whole or not at all, whatever was learned about the path."""
    if family == 6:
        udp.setsockopt(socket.IPPROTO_IPV6, IPV6_MTU_DISCOVER, PMTUDISC_PROBE)
        udp.setsockopt(socket.IPPROTO_IPV6, IPV6_DONTFRAG, 1)
    else:
        udp.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, PMTUDISC_PROBE)


def queue_errors(udp: socket.socket, family: int) -> None:
    """Errors are queued for reading; without it a datagram dropped by the own queue counts as sent."""
    level, option = (socket.IPPROTO_IPV6, IPV6_RECVERR) if family == 6 else (socket.IPPROTO_IP, IP_RECVERR)
    udp.setsockopt(level, option, 1)


def stamp_arrivals(sock: socket.socket) -> None:
    """Have the kernel note when what is received came in."""
    assert SO_TIMESTAMPNS is not None, "set above"
    sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)


def path_mtu_bytes(connected: socket.socket, family: int) -> Optional[int]:
    """The path MTU that the kernel believes in for a socket's peer; None where it does not say."""
    level, option = (socket.IPPROTO_IPV6, IPV6_MTU) if family == 6 else (socket.IPPROTO_IP, IP_MTU)
    return connected.getsockopt(level, option)


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
    return NetworkError(number, origin, kind, code, mtu_bytes, _offender(data[_EXTENDED_ERROR.size :]))


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
