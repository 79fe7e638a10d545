"""What the kernel tells of by itself: changes of links, addresses and of what drivers are set to, while nobody asks.

A notice holds the values of its very moment, so a change that is taken back a millisecond later is seen as well.
Whoever does not read in time loses notices (the kernel says so): then everything is to be looked at.
"""

from __future__ import annotations

import contextlib
import errno
import socket
import struct
from typing import List, NamedTuple, Optional, Tuple

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.addresses import described as described_address
from orchestrator.onhost.netlink.channel import NETLINK_GENERIC, NETLINK_ROUTE, Channel
from orchestrator.onhost.netlink.entries import Address, Link
from orchestrator.onhost.netlink.links import described as described_link

LINK, LINK_GONE, ADDRESS, ADDRESS_GONE, DRIVER, LOST = "link", "link gone", "address", "address gone", "driver", "lost"
_GROUPS = 0x1 | 0x10 | 0x100  # RTMGRP_LINK, RTMGRP_IPV4_IFADDR, RTMGRP_IPV6_IFADDR of linux/rtnetlink.h
_KINDS = {
    frames.NEW_LINK: LINK,
    frames.NEW_LINK + 1: LINK_GONE,
    frames.NEW_ADDRESS: ADDRESS,
    frames.DELETE_ADDRESS: ADDRESS_GONE,
}
_BUFFER_BYTES = 1 << 18
_SOL_NETLINK, _ADD_MEMBERSHIP = 270, 1
_GENERIC = struct.Struct("=BBH")  # genlmsghdr: command, version, reserved
_CONTROL, _GET_FAMILY = 16, 3
_FAMILY_NAME, _FAMILY_GROUPS, _GROUP_NAME, _GROUP_ID = 2, 7, 1, 2  # CTRL_ATTR_ of linux/genetlink.h
_DRIVERS, _MONITOR = b"ethtool\0", "monitor"
_DEVICE_INDEX = 1  # ETHTOOL_A_HEADER_DEV_INDEX, in the header that every notice of a driver begins with


class Notice(NamedTuple):
    """One thing that the kernel told: its kind, of which interface (0 unknown), what, and by which socket's owner."""

    kind: str
    interface_index: int
    link: Optional[Link]  # of LINK and LINK_GONE
    address: Optional[Address]  # of ADDRESS and ADDRESS_GONE
    port: int  # of the netlink socket that asked for it: mostly the process's number; 0 where the kernel does not say


class Notices:
    """One subscription; wait for its `fileno`, then `read`."""

    def __init__(self, handle: socket.socket, *, of_drivers: bool) -> None:
        """`handle` is subscribed already."""
        self._socket, self._of_drivers = handle, of_drivers

    def fileno(self) -> int:
        """For a selector."""
        return self._socket.fileno()

    def read(self) -> List[Notice]:
        """All that has come; never waits."""
        found: List[Notice] = []
        while True:
            try:
                data = self._socket.recv(_BUFFER_BYTES, socket.MSG_DONTWAIT)
            except BlockingIOError:
                return found
            except OSError as error:
                if error.errno != errno.ENOBUFS:
                    raise
                found.append(Notice(LOST, 0, None, None, 0))
                continue
            found += [notice for notice in map(self._notice, _messages(data)) if notice is not None]

    def _notice(self, message: Tuple[int, int, bytes]) -> Optional[Notice]:
        kind, port, body = message
        if self._of_drivers:
            return Notice(DRIVER, _index_of(body), None, None, port)
        if kind not in _KINDS:
            return None
        if _KINDS[kind] in (LINK, LINK_GONE):
            link = described_link(body)
            return Notice(_KINDS[kind], link["index"], link, None, port)
        address = described_address(body)
        return Notice(_KINDS[kind], address["index"], None, address, port)

    def close(self) -> None:
        """Give the socket back."""
        self._socket.close()


def subscribe() -> List[Notices]:
    """Every subscription that this kernel has: links and addresses always, drivers from Linux 5.6 on."""
    found = []
    with contextlib.suppress(OSError, AttributeError):  # without netlink nothing is told, and all of it is asked for
        found.append(Notices(_open(NETLINK_ROUTE, _GROUPS), of_drivers=False))
    with contextlib.suppress(OSError, AttributeError, KeyError, IndexError):
        handle = _open(NETLINK_GENERIC, 0)
        try:
            handle.setsockopt(_SOL_NETLINK, _ADD_MEMBERSHIP, _monitor_group())
        except BaseException:
            handle.close()
            raise
        found.append(Notices(handle, of_drivers=True))
    return found


def _open(protocol: int, groups: int) -> socket.socket:
    handle = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, protocol)
    try:
        handle.bind((0, groups))
    except BaseException:
        handle.close()
        raise
    return handle


def _monitor_group() -> int:
    """The number of the group to which drivers' settings are told; KeyError or OSError where there is none."""
    ask = _GENERIC.pack(_GET_FAMILY, 1, 0) + frames.attribute(_FAMILY_NAME, _DRIVERS)
    with Channel(NETLINK_GENERIC) as channel:
        answer = channel.get(_CONTROL, ask)[0][1][_GENERIC.size :]
    for _, group in frames.attributes(frames.attribute_map(answer)[_FAMILY_GROUPS]):
        known = frames.attribute_map(group)
        if frames.text(known[_GROUP_NAME]) == _MONITOR:
            return frames.u32(known[_GROUP_ID])
    raise KeyError(_MONITOR)


def _index_of(body: bytes) -> int:
    """Which interface a driver's notice is about; 0 where it does not say."""
    for _, header in frames.attributes(body[_GENERIC.size :]):
        index = frames.attribute_map(header).get(_DEVICE_INDEX)
        return frames.u32(index) if index and len(index) >= 4 else 0
    return 0


def _messages(data: bytes) -> List[Tuple[int, int, bytes]]:
    """(type, port, body) of each message of a datagram."""
    found = []
    at = 0
    while at + frames.HEADER.size <= len(data):
        length, kind, _, _, port = frames.HEADER.unpack_from(data, at)
        if length < frames.HEADER.size:
            break
        found.append((kind, port, data[at + frames.HEADER.size : at + length]))
        at += (length + 3) & ~3
    return found
