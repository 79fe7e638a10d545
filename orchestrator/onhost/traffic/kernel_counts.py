"""What the kernel had taken in for a connection, read at every mark by another process than the receiving one.

A stream's process that is stopped across a mark cannot look at the kernel's count there. The job, which waits beside
it, can, and leaves it in a page that both have. Each record carries a check of its own: a reader that meets one half
written takes it for none.
"""

from __future__ import annotations

import mmap
import struct
from typing import Iterator

from orchestrator.onhost.traffic.arrival_curve import Known

_RECORD = struct.Struct("=QQQ")  # instant, count, check
_PLACES = 64  # at ten marks a second more than six seconds: a receiver that late gives up
_CHECK = 0x5A5A5A5A5A5A5A5A


class KernelCounts:
    """A ring of the last counts; made before the fork, written by the job, read by the stream's process."""

    def __init__(self) -> None:
        self._page = mmap.mmap(-1, _PLACES * _RECORD.size)
        self._next = 0

    def note(self, at_ns: int, count: int) -> None:
        """By `at_ns` of CLOCK_MONOTONIC the kernel had taken in `count` octets."""
        _RECORD.pack_into(self._page, self._next * _RECORD.size, at_ns, count, at_ns ^ count ^ _CHECK)
        self._next = (self._next + 1) % _PLACES

    def since(self, begin_ns: int) -> Iterator[Known]:
        """Those of instants from `begin_ns` on."""
        for place in range(_PLACES):
            at_ns, count, check = _RECORD.unpack_from(self._page, place * _RECORD.size)
            if check == at_ns ^ count ^ _CHECK and at_ns >= begin_ns:
                yield Known(at_ns, count)
