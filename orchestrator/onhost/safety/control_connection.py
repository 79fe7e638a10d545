"""The SSH connection that carries our orders, by its addresses and ports, where it comes in by a given interface."""

from __future__ import annotations

from typing import NamedTuple, Optional

from orchestrator.onhost.safety.control_path import interface_with, noted_connection


class Connection(NamedTuple):
    """A TCP connection of this host, addresses as IP text without a scope."""

    local: str
    local_port: int
    peer: str
    peer_port: int


def control_connection(interface: str) -> Optional[Connection]:
    """The connection that this helper was started over; None when it came in by another interface, or was none."""
    words = noted_connection().split()
    if len(words) != 4 or not (words[1].isdigit() and words[3].isdigit()):
        return None
    peer, local = words[0].partition("%")[0], words[2].partition("%")[0]
    try:
        if interface_with(local) != interface:
            return None
    except (OSError, ValueError):
        return None
    return Connection(local, int(words[3]), peer, int(words[1]))
