"""The head of every datagram, written into and read from whole batches at once.

    octet 0-7  sequence number    octet 8-15  nanoseconds of the sending end's CLOCK_MONOTONIC

Both little-endian. A batch lies in one buffer, datagrams at a fixed distance from each other, so that one call of the
C library of Python writes or reads the numbers of all of them: a loop over datagrams would halve the rate.
"""

from __future__ import annotations

import array
import os
import struct
import sys
from math import gcd
from typing import Any, Dict, List, Tuple

# A stream's numbers come in three ranges, one per phase, so that every datagram says which phase it was sent in and
# no octet is spent on it. Within a phase they are consecutive.
PHASE_SPAN = 1 << 40
WARM_UP, WINDOW, AFTER = 0, 1, 2
PHASES = 3
_WORD_BYTES = 8


class BatchWriter:
    """A buffer of `count` datagrams of `size_bytes` each, filled with random octets, and the writing of their heads."""

    def __init__(self, size_bytes: int, count: int) -> None:
        """`size_bytes` is at least 16."""
        self.buffer = bytearray(os.urandom(size_bytes) * count)
        # A strided view wants its elements' size to divide the distance; an odd distance is written octet by octet.
        element = gcd(size_bytes, _WORD_BYTES)
        self._format = {8: "Q", 4: "I", 2: "H", 1: "B"}[element]
        self._pieces = _WORD_BYTES // element
        whole = memoryview(self.buffer).cast("B").cast(self._format)  # type: ignore[call-overload] # a computed format
        step = size_bytes // element
        self._targets: List[Any] = [whole[place::step] for place in range(2 * self._pieces)]

    def write(self, first: int, count: int, now_ns: int) -> None:
        """Number `count` datagrams from `first` on, all sent at `now_ns`."""
        self._put(0, array.array("Q", range(first, first + count)), count)
        self._put(self._pieces, array.array("Q", (now_ns,)) * count, count)

    def _put(self, place: int, words: "array.array[int]", count: int) -> None:
        if sys.byteorder == "big":
            words.byteswap()
        if self._pieces == 1:
            self._targets[place][:count] = memoryview(words)
            return
        source: Any = memoryview(words).cast("B").cast(self._format)  # type: ignore[call-overload] # as above
        for piece in range(self._pieces):
            self._targets[place + piece][:count] = source[piece::self._pieces]


class BatchReader:
    """Reads the heads of datagrams that lie `distance_bytes` apart."""

    def __init__(self, distance_bytes: int) -> None:
        self._gap = distance_bytes - _WORD_BYTES
        self._gap_after_head = distance_bytes - 2 * _WORD_BYTES
        self._numbers: Dict[int, struct.Struct] = {}
        self._heads: Dict[int, struct.Struct] = {}

    def numbers(self, buffer: Any, offset: int, count: int) -> Tuple[int, ...]:
        """The sequence numbers of `count` datagrams from `offset` on."""
        layout = self._numbers.get(count)
        if layout is None:
            layout = self._numbers[count] = struct.Struct("<" + f"Q{self._gap}x" * (count - 1) + "Q")
        return layout.unpack_from(buffer, offset)

    def times_ns(self, buffer: Any, offset: int, count: int) -> Tuple[int, ...]:
        """Their send times."""
        layout = self._heads.get(count)
        if layout is None:
            layout = self._heads[count] = struct.Struct("<" + f"8xQ{self._gap_after_head}x" * (count - 1) + "8xQ")
        return layout.unpack_from(buffer, offset)
