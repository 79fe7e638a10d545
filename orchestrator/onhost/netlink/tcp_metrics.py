"""What TCP remembers of a peer (round trip, congestion window): forgotten by generic netlink."""

from __future__ import annotations

import errno
import ipaddress
import struct

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import NETLINK_GENERIC, Channel, NetlinkError

_BODY = struct.Struct("=BBH")  # genlmsghdr: command, version, reserved
_CONTROL, _GET_FAMILY, _FAMILY_ID, _FAMILY_NAME = 16, 3, 1, 2
_FAMILY = b"tcp_metrics\0"
_DELETE, _PEER_4, _PEER_6 = 2, 1, 2  # linux/tcp_metrics.h


def forget_tcp_metrics(peer: str) -> bool:
    """Drop the entries of `peer` from every source address; say whether there was one. Raises NetlinkError."""
    address = ipaddress.ip_address(peer)
    with Channel(NETLINK_GENERIC) as channel:
        ask = _BODY.pack(_GET_FAMILY, 1, 0) + frames.attribute(_FAMILY_NAME, _FAMILY)
        answers = channel.get(_CONTROL, ask)
        number = struct.unpack("=H", frames.attribute_map(answers[0][1][_BODY.size :])[_FAMILY_ID][:2])[0]
        kind = _PEER_4 if address.version == 4 else _PEER_6
        try:
            channel.change(number, 0, _BODY.pack(_DELETE, 1, 0) + frames.attribute(kind, address.packed))
        except NetlinkError as error:
            if error.errno in (errno.ESRCH, errno.ENOENT):
                return False
            raise
    return True
