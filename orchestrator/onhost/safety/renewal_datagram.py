"""A renewal as one datagram: what it says, and how an answer looks. Pure; both ends of the control path use it.

    octet 0-3  what it is    octet 4-11  a time of the host's CLOCK_BOOTTIME, ns    octet 12-43  HMAC-SHA256 (RFC 2104)

The key is made for one lease and handed over by SSH. A renewal names the instant until which the host is to wait, so
that one which was held back on the way, or is played again, grants nothing that was not granted when it was sent. It is
longer than its answer: whoever repeats one in another's name gains nothing by it.
"""

from __future__ import annotations

import hashlib
import hmac
import struct
from typing import Optional

RENEWAL, HEARD = b"LTr1", b"LTh1"
KEY_BYTES = 32
RENEWAL_BYTES, HEARD_BYTES = 64, 44
_HEAD = struct.Struct(">4sQ")


def renewal(key: bytes, token: int, until_ns: int) -> bytes:
    """The controller's datagram: wait for us until then."""
    return _signed(RENEWAL, key, token, until_ns).ljust(RENEWAL_BYTES, b"\0")


def read_renewal(data: bytes, key: bytes, token: int) -> Optional[int]:
    """Until when to wait, ns; None when it is not from who knows the key, or not for this lease."""
    return _read(data, RENEWAL, RENEWAL_BYTES, key, token)


def heard(key: bytes, token: int, now_ns: int) -> bytes:
    """The host's answer: its clock, as it heard a renewal."""
    return _signed(HEARD, key, token, now_ns)


def read_heard(data: bytes, key: bytes, token: int) -> Optional[int]:
    """The host's clock when it answered, ns; None when it is no answer of this host's."""
    return _read(data, HEARD, HEARD_BYTES, key, token)


def _signed(kind: bytes, key: bytes, token: int, time_ns: int) -> bytes:
    head = _HEAD.pack(kind, time_ns)
    return head + hmac.new(key, head + struct.pack(">Q", token), hashlib.sha256).digest()


def _read(data: bytes, kind: bytes, length: int, key: bytes, token: int) -> Optional[int]:
    if len(data) != length or data[:4] != kind:
        return None
    time_ns = int(_HEAD.unpack_from(data)[1])
    return time_ns if hmac.compare_digest(data[:HEARD_BYTES], _signed(kind, key, token, time_ns)) else None
