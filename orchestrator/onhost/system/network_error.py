"""What the network, or this host itself, said about a datagram that left: the same on every system.

A host whose system has no queue of such errors never makes one.
"""

from __future__ import annotations

import errno
from typing import NamedTuple

_ORIGIN_ICMP = 2  # include/uapi/linux/errqueue.h


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
        return self.origin == _ORIGIN_ICMP and self.kind == 3 and self.code in (9, 10, 13)
