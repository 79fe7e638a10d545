"""How long the acknowledgements are that come back to a sender of TCP: one in sixteen is set aside and looked at.

TCP counts its segments, and what payload they carried, but not the selective acknowledgements in their headers: up to
28 octets each (RFC 2018, beside timestamps), which on a path that loses frames is as much as one percent of all octets.
Needs the right to open a packet socket, which root has; without it the length stays unknown, and is said to be.
"""

from __future__ import annotations

import socket
from typing import Optional, Sequence

from orchestrator.onhost.traffic import kernel
from orchestrator.onhost.traffic.flows import Pair

_MOST_AT_A_TIME = 64  # so many wait between two looks; what comes beyond is not looked at
_LONGEST_HEADERS_BYTES = 120


class Acknowledgements:
    """The sample of one end's sending connections."""

    def __init__(self, pair: Pair, senders: Sequence[socket.socket]) -> None:
        """`senders` are the connected sockets on which this end sends."""
        self._ip_bytes = 40 if pair.family == 6 else 20
        self._ports = frozenset(sender.getsockname()[1] for sender in senders)
        self.count = 0  # how many have been looked at
        self._total_bytes = 0
        try:
            self._socket = kernel.sample_of_acknowledgements(pair.interface, pair.family, pair.peer)
        except OSError:
            self._socket = None

    @property
    def mean_header_bytes(self) -> Optional[float]:
        """Mean length of their TCP headers, options included, octets; None when none was looked at."""
        return self._total_bytes / self.count if self.count else None

    def look(self) -> None:
        """Read what was set aside, without waiting."""
        for _ in range(_MOST_AT_A_TIME):
            if self._socket is None:
                return
            try:
                head = self._socket.recv(_LONGEST_HEADERS_BYTES)
            except OSError:
                return
            at = self._ip_bytes
            if len(head) > at + 12 and int.from_bytes(head[at + 2 : at + 4], "big") in self._ports:
                self.count += 1
                self._total_bytes += (head[at + 12] >> 4) * 4

    def close(self) -> None:
        """Give the descriptor back."""
        if self._socket is not None:
            self._socket.close()
