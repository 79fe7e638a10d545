"""What the kernel says about a TCP connection of another process: sock_diag, which asks for no privilege."""

from __future__ import annotations

import ipaddress
import socket
import struct
from typing import Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel

_NETLINK_SOCK_DIAG, _BY_FAMILY = 4, 20
_ASK = struct.Struct("=BBBxI")  # inet_diag_req_v2: family, protocol, what else is wanted, states
_PLACE = struct.Struct("!HH16s16s")  # inet_diag_sockid: ports and addresses; interface and cookie follow
_ANY_COOKIE = b"\xff" * 8
_INFO = 2  # INET_DIAG_INFO
_ANSWER_BYTES = 72  # of inet_diag_msg, before its attributes


def connection_info(local: str, local_port: int, peer: str, peer_port: int) -> Optional[bytes]:
    """TCP's own account (struct tcp_info) of a connection of this network namespace; None where it is not told."""
    here, there = ipaddress.ip_address(local), ipaddress.ip_address(peer)
    inet = socket.AF_INET6 if here.version == 6 else socket.AF_INET
    ask = (
        _ASK.pack(inet, socket.IPPROTO_TCP, 1 << (_INFO - 1), 0xFFFFFFFF)
        + _PLACE.pack(local_port, peer_port, here.packed, there.packed)
        + bytes(4)
        + _ANY_COOKIE
    )
    try:
        with Channel(_NETLINK_SOCK_DIAG) as channel:
            answers = channel.get(_BY_FAMILY, ask)
    except OSError:  # a kernel without sock_diag, or the connection is gone
        return None
    for _, body in answers:
        raw = frames.attribute_map(body[_ANSWER_BYTES:]).get(_INFO)
        if raw:
            return raw
    return None
