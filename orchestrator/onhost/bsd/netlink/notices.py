"""There is no netlink here: nothing is told, and what is to be noticed has to be read again and again."""

from __future__ import annotations

from typing import List, NamedTuple, Optional

from orchestrator.onhost.netlink.entries import Address, Link

LINK, LINK_GONE, ADDRESS, ADDRESS_GONE, DRIVER, LOST = "link", "link gone", "address", "address gone", "driver", "lost"


class Notice(NamedTuple):
    """As on Linux; there never is one."""

    kind: str
    interface_index: int
    link: Optional[Link]
    address: Optional[Address]
    port: int


class Notices:
    """As on Linux; there never is one."""

    def fileno(self) -> int:
        """Nothing to wait for."""
        return -1

    def read(self) -> List[Notice]:
        """Nothing."""
        return []

    def close(self) -> None:
        """Nothing was opened."""


def subscribe() -> List[Notices]:
    """None."""
    return []
