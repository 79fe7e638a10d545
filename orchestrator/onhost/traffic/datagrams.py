"""The head of every datagram, written into and compared with whole batches at once.

    octet 0-7  sequence number    octet 8-15  nanoseconds of the sending end's CLOCK_MONOTONIC

Both little-endian. A batch lies in one buffer, datagrams at a fixed distance from each other, so a strided view of the
buffer is the row of their numbers. Copying a piece of a ready-made line of numbers into such a row, or comparing the
row with it, is one call that makes no Python number: a loop over datagrams would halve the rate.
"""

from __future__ import annotations

import array
import functools
import os
import struct
import sys
from math import gcd
from typing import Dict, List, Tuple

# A stream's numbers come in three ranges, one per phase, so that every datagram says which phase it was sent in and
# no octet is spent on it. Within a phase they are consecutive.
PHASE_SPAN = 1 << 40
WARM_UP, WINDOW, AFTER = 0, 1, 2
PHASES = 3
_WORD_BYTES = 8
_HEAD = struct.Struct("<QQ")
_FEW = 4  # up to so many heads are written faster one by one
_HALF = 1 << 13
_FORMATS = {8: "Q", 4: "I", 2: "H", 1: "B"}


def _element(distance_bytes: int) -> int:
    """The largest element that divides a word and the distance: what a strided view can be made of."""
    return gcd(distance_bytes, _WORD_BYTES)


def _cast(view: memoryview, element: int) -> "memoryview[int]":
    found: memoryview[int] = view.cast("B").cast(_FORMATS[element])  # type: ignore[call-overload]  # a computed format
    return found


def _little(words: "array.array[int]") -> "array.array[int]":
    if sys.byteorder == "big":
        words.byteswap()
    return words


@functools.lru_cache(maxsize=None)
def _low_quarters() -> "memoryview[int]":
    """Every value of 16 bits in order: the lowest quarters of any run of numbers."""
    return memoryview(_little(array.array("H", range(1 << 16))))


class NumberLine:
    """Consecutive numbers as they lie in datagrams: two halves of 8,192, moved on by a half when the first is used up.

    `pieces` are views of the line's words in elements of one size: the lowest first.
    """

    def __init__(self, element: int) -> None:
        self.first = 0
        self._words = array.array("Q", bytes(_WORD_BYTES * 2 * _HALF))
        quarters = _cast(memoryview(self._words), 2)
        self._halves = [
            [quarters[half * 4 * _HALF + quarter : (half + 1) * 4 * _HALF : 4] for quarter in range(4)]
            for half in (0, 1)
        ]
        self._written = [[-1] * 4, [-1] * 4]
        row = _cast(memoryview(self._words), element)
        self.pieces: List["memoryview[int]"] = [
            row[place :: _WORD_BYTES // element] for place in range(_WORD_BYTES // element)
        ]
        self.index(0)

    def index(self, number: int) -> int:
        """Where `number` stands on the line; at least 8,192 more stand behind it."""
        place = number - self.first
        if not 0 <= place < _HALF:
            self.first = number - number % _HALF
            self._fill(0, self.first)
            self._fill(1, self.first + _HALF)
            place = number - self.first
        return place

    def _fill(self, half: int, first: int) -> None:
        """Write the quarters of a half's words that are not there already; within a half only the lowest differs."""
        quarters, written = self._halves[half], self._written[half]
        for quarter in range(4):
            value = first >> 16 * quarter & 0xFFFF
            if value == written[quarter]:
                continue
            written[quarter] = value
            if quarter == 0:
                quarters[0][:] = _low_quarters()[value : value + _HALF]
            else:
                quarters[quarter][:] = memoryview(_little(array.array("H", (value,)) * _HALF))


class BatchWriter:
    """A buffer of `count` datagrams of `size_bytes` each, filled with random octets, and the writing of their heads."""

    def __init__(self, size_bytes: int, count: int) -> None:
        """`size_bytes` is at least 16."""
        self.buffer = bytearray(os.urandom(size_bytes) * count)
        self._size, self._count = size_bytes, count
        element = _element(size_bytes)
        self._pieces = _WORD_BYTES // element
        rows = _rows(memoryview(self.buffer), 0, size_bytes, element, 2 * self._pieces)
        self._number_rows, self._time_rows = rows[: self._pieces], rows[self._pieces :]
        self._line = NumberLine(element)
        self._changing = max(1, 2 // element)  # the lowest pieces of a number, which differ within one line
        self._format, self._bits = _FORMATS[element], 8 * element
        self._forget()

    def _forget(self) -> None:
        """Nothing is known about what stands in the buffer."""
        self._high_written = -1
        self._times_written = [-1] * self._pieces

    def write(self, first: int, count: int, now_ns: int) -> None:
        """Number `count` datagrams from `first` on, all sent at `now_ns`."""
        if count <= _FEW:
            for place in range(count):
                _HEAD.pack_into(self.buffer, place * self._size, first + place, now_ns)
            self._forget()
            return
        index = self._line.index(first)
        if self._pieces == 1:
            self._number_rows[0][:count] = self._line.pieces[0][index : index + count]
            self._time_rows[0][:count] = memoryview(now_ns.to_bytes(_WORD_BYTES, "little") * count).cast("Q")
            return
        high = first >> 16
        alike = high == first + count - 1 >> 16  # then the upper pieces are the same in all, and mostly there already
        for piece in range(self._changing if alike else self._pieces):
            self._number_rows[piece][:count] = self._line.pieces[piece][index : index + count]
        if not alike:
            self._high_written = -1
        elif high != self._high_written:
            self._high_written = high
            for piece in range(self._changing, self._pieces):
                self._fill(self._number_rows[piece], piece, first)
        self._write_times(now_ns)

    def _write_times(self, now_ns: int) -> None:
        for piece, written in enumerate(self._times_written):
            value = now_ns >> self._bits * piece & (1 << self._bits) - 1
            if value != written:
                self._times_written[piece] = value
                self._fill(self._time_rows[piece], piece, now_ns)

    def _fill(self, row: "memoryview[int]", piece: int, word: int) -> None:
        """The same piece of the same word in every datagram."""
        value = word >> self._bits * piece & (1 << self._bits) - 1
        row[:] = memoryview(_little(array.array(self._format, (value,)) * self._count))


class BatchReader:
    """The heads of up to `most` datagrams that lie `distance_bytes` apart in a buffer, from `offset` on.

    `offset` is a multiple of 8.
    """

    def __init__(self, buffer: bytearray, offset: int, distance_bytes: int, most: int) -> None:
        element = _element(distance_bytes)
        self._buffer, self._offset = buffer, offset
        view = memoryview(buffer)[: len(buffer) // _WORD_BYTES * _WORD_BYTES]
        end = min(len(view), offset + distance_bytes * most)
        self._rows = _rows(
            view[: end // _WORD_BYTES * _WORD_BYTES], offset, distance_bytes, element, _WORD_BYTES // element
        )
        self._gap = distance_bytes - _WORD_BYTES
        self._layouts: Dict[Tuple[int, int], struct.Struct] = {}

    def are(self, line: NumberLine, index: int, count: int) -> bool:
        """Whether the numbers of the first `count` datagrams are those on the line from `index` on, every one."""
        for row, piece in zip(self._rows, line.pieces):  # noqa: SIM110 - a generator costs half as much again
            if row[:count] != piece[index : index + count]:
                return False
        return True

    def numbers(self, count: int) -> Tuple[int, ...]:
        """Their sequence numbers."""
        return self._words(0, count)

    def times_ns(self, count: int) -> Tuple[int, ...]:
        """Their send times."""
        return self._words(_WORD_BYTES, count)

    def _words(self, start: int, count: int) -> Tuple[int, ...]:
        layout = self._layouts.get((start, count))
        if layout is None:
            layout = struct.Struct("<" + f"{start}x" + f"Q{self._gap}x" * (count - 1) + "Q")
            self._layouts[start, count] = layout
        return layout.unpack_from(self._buffer, self._offset)


def line_for(distance_bytes: int) -> NumberLine:
    """A line of numbers to compare datagrams with that lie `distance_bytes` apart."""
    return NumberLine(_element(distance_bytes))


def _rows(view: memoryview, offset: int, distance_bytes: int, element: int, pieces: int) -> List["memoryview[int]"]:
    """One strided view per piece of the heads' words."""
    whole = _cast(view, element)
    return [whole[offset // element + place :: distance_bytes // element] for place in range(pieces)]
