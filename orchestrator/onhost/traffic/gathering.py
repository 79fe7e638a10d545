"""How much has to have arrived before the kernel wakes a receiver of TCP.

Waking a process for every arrival is most of what a fast stream costs: it comes out of the time of the core that takes
in the frames, and on a small board that is the core that holds the rate back. 100 µs of traffic at a time is what an
interface's own interrupt coalescing gathers, too. A slow stream and a small buffer are left alone: what lies unread
there takes from the window the sender sees.
"""

from __future__ import annotations

import socket

from orchestrator.onhost.traffic import kernel

_GATHERED_NS = 100_000
_MOST_BYTES = 128 * 1024
_BUFFER_SHARE = 16  # of the buffer, one in so many octets may lie unread
_LEAST_BYTES = 4096  # less than this is about what comes at a time anyway


class Gathering:
    """The socket's mark, set from the slower of two rates: since the traffic began, and since the last review.

    Who reads a backlog reads faster than it arrived; who waits for a path that has slowed down shall not wait longer.
    """

    def __init__(self, sock: socket.socket, begun_ns: int) -> None:
        self._sock = sock
        self._begun_ns = self._at_ns = begun_ns
        self._count = 0
        self._wake_bytes = 1

    def review(self, now_ns: int, count: int) -> None:
        """Set the mark anew; `count` is all that has been read by now, in octets."""
        lately = (count - self._count) * _GATHERED_NS // max(1, now_ns - self._at_ns)
        on_average = count * _GATHERED_NS // max(1, now_ns - self._begun_ns)
        self._at_ns, self._count = now_ns, count
        buffer_bytes = self._sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        wanted = min(_MOST_BYTES, buffer_bytes // _BUFFER_SHARE, lately, on_average)
        self._set(wanted if wanted >= _LEAST_BYTES else 1)

    def end(self) -> None:
        """Be woken for every arrival again."""
        self._set(1)

    def _set(self, wake_bytes: int) -> None:
        if wake_bytes != self._wake_bytes:
            kernel.wake_at(self._sock, wake_bytes)
            self._wake_bytes = wake_bytes
