"""How rtnetlink messages are packed: headers, attributes, and the numbers of the kernel's uapi headers.

Everything is in the machine's own byte order; attributes are padded to four bytes (man 7 netlink, rtnetlink(7)).
"""

from __future__ import annotations

import socket
import struct
from typing import Dict, Iterator, Tuple

HEADER = struct.Struct("=IHHII")  # length, type, flags, sequence, port
_ATTRIBUTE = struct.Struct("=HH")  # length, type

# message types
ERROR, DONE = 2, 3
NEW_LINK, GET_LINK = 16, 18
NEW_ADDRESS, DELETE_ADDRESS, GET_ADDRESS = 20, 21, 22
NEW_ROUTE, DELETE_ROUTE, GET_ROUTE = 24, 25, 26
NEW_NEIGHBOUR, DELETE_NEIGHBOUR, GET_NEIGHBOUR = 28, 29, 30
NEW_QDISC, DELETE_QDISC, GET_QDISC = 36, 37, 38

# message flags
REQUEST, MULTI, ACKNOWLEDGE, INTERRUPTED = 0x1, 0x2, 0x4, 0x10
REPLACE, EXCLUSIVE, CREATE = 0x100, 0x200, 0x400
DUMP = 0x300
CAPPED, EXTENDED_TEXTS = 0x100, 0x200  # flags of an error message

_TYPE_MASK = 0x3FFF  # the two top bits say "nested" and "network byte order"


def attribute(kind: int, payload: bytes) -> bytes:
    """One attribute, padded."""
    padding = -len(payload) % 4
    return _ATTRIBUTE.pack(_ATTRIBUTE.size + len(payload), kind) + payload + b"\0" * padding


def attributes(data: bytes) -> Iterator[Tuple[int, bytes]]:
    """The attributes in `data` as (type, payload)."""
    for kind, payload in marked_attributes(data):
        yield kind & _TYPE_MASK, payload


def marked_attributes(data: bytes) -> Iterator[Tuple[int, bytes]]:
    """The same with the type's two marks kept, for sending on; stops at the first that cannot be an attribute."""
    at = 0
    while at + _ATTRIBUTE.size <= len(data):
        length, kind = _ATTRIBUTE.unpack_from(data, at)
        if length < _ATTRIBUTE.size or at + length > len(data):
            return
        yield kind, data[at + _ATTRIBUTE.size : at + length]
        at += (length + 3) & ~3


def attribute_map(data: bytes) -> Dict[int, bytes]:
    """The attributes by type; of several of one type the last."""
    return dict(attributes(data))


def u32(payload: bytes) -> int:
    """An unsigned 32-bit number in the machine's byte order."""
    return int(struct.unpack("=I", payload[:4])[0])


def pack_u32(number: int) -> bytes:
    """The other way."""
    return struct.pack("=I", number)


def text(payload: bytes) -> str:
    """A zero-terminated string; bytes that are not UTF-8 stay recognisable."""
    return payload.split(b"\0", 1)[0].decode("utf-8", "backslashreplace")


def mac(payload: bytes) -> str:
    """A hardware address as people write it."""
    return ":".join(f"{byte:02x}" for byte in payload)


def address(payload: bytes) -> str:
    """An IPv4 or IPv6 address, by its length."""
    return socket.inet_ntop(socket.AF_INET6 if len(payload) == 16 else socket.AF_INET, payload)


def family_number(family: int) -> int:
    """AF_INET or AF_INET6 for 4 or 6; 0 (all) for 0."""
    return {0: 0, 4: int(socket.AF_INET), 6: int(socket.AF_INET6)}[family]


def family_of(number: int) -> int:
    """4 or 6 for AF_INET or AF_INET6; 0 for anything else."""
    return {int(socket.AF_INET): 4, int(socket.AF_INET6): 6}.get(number, 0)
