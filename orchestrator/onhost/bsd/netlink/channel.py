"""There is no netlink here: every table that is asked for this way is empty, every change is refused."""

from __future__ import annotations

import errno
from typing import List, Tuple

NETLINK_ROUTE, NETLINK_GENERIC = 0, 16


class NetlinkError(OSError):
    """A system's refusal: its number and its words."""


class Channel:
    """Answers nothing."""

    def __init__(self, protocol: int = NETLINK_ROUTE) -> None:
        """The protocol says nothing here."""

    def __enter__(self) -> Channel:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing was opened."""

    def change(self, kind: int, flags: int, body: bytes) -> None:
        """Refused."""
        raise NetlinkError(errno.EOPNOTSUPP, "this system has no netlink")

    def get(self, kind: int, body: bytes) -> List[Tuple[int, bytes]]:
        """Refused."""
        raise NetlinkError(errno.EOPNOTSUPP, "this system has no netlink")

    def dump(self, kind: int, body: bytes) -> List[Tuple[int, bytes]]:
        """Empty."""
        return []
