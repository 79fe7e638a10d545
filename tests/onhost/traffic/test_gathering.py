"""When the kernel wakes a receiver of TCP: rarely on a fast stream, at every arrival on a slow or narrow one."""

from __future__ import annotations

import socket
from typing import Any, cast

import pytest

from orchestrator.onhost.traffic.gathering import Gathering

MS = 1_000_000
WIDE = 6 * 1024 * 1024


class Buffered:
    """A socket with a receive buffer of a size, which remembers its marks."""

    def __init__(self, buffer_bytes: int) -> None:
        self.buffer_bytes = buffer_bytes
        self.marks: list[int] = []

    def getsockopt(self, _: int, option: int) -> int:
        assert option == socket.SO_RCVBUF
        return self.buffer_bytes

    def setsockopt(self, _: int, option: int, value: int) -> None:
        assert option == socket.SO_RCVLOWAT
        self.marks.append(value)


def mark(rate_bit_s: float, buffer_bytes: int) -> int:
    """The mark after 10 ms of traffic at a rate; 1 is the kernel's own."""
    sock = Buffered(buffer_bytes)
    Gathering(cast(Any, sock), 5 * MS).review(15 * MS, int(rate_bit_s / 8 * 0.01))
    return sock.marks[-1] if sock.marks else 1


@pytest.mark.parametrize(
    ("rate_bit_s", "buffer_bytes", "wanted"),
    [
        (1e9, WIDE, 12_500),  # 100 µs of it
        (1e9, 131_072, 8_192),  # a sixteenth of the buffer
        (40e9, WIDE, 131_072),  # never more
        (100e6, WIDE, 1),  # 1,250 octets: less than a frame
        (40e9, 32_768, 1),  # 2,048 octets would be the sixteenth
        (0, WIDE, 1),
    ],
)
def test_a_hundred_microseconds_are_gathered_as_far_as_the_buffer_has_room(
    rate_bit_s: float, buffer_bytes: int, wanted: int
) -> None:
    assert mark(rate_bit_s, buffer_bytes) == wanted


def test_a_stream_that_slows_down_is_looked_at_more_often_again() -> None:
    sock = Buffered(WIDE)
    gathering = Gathering(cast(Any, sock), 0)
    gathering.review(10 * MS, 12_500_000)  # 10 Gb/s
    gathering.review(20 * MS, 12_500_000 + 1_250_000)  # 1 Gb/s
    gathering.review(30 * MS, 12_500_000 + 1_250_000)  # nothing
    assert sock.marks == [125_000, 12_500, 1]


def test_who_reads_a_backlog_is_not_taken_for_a_faster_stream() -> None:
    """100 Mb/s on average, read in 2 ms out of every 100 by a process that has to wait for its core."""
    sock = Buffered(WIDE)
    gathering = Gathering(cast(Any, sock), 0)
    for period in range(1, 6):
        gathering.review(period * 100 * MS - 2 * MS, (period - 1) * 1_250_000)
        gathering.review(period * 100 * MS, period * 1_250_000)
    assert sock.marks == []


def test_what_does_not_change_is_not_set_again_and_the_end_undoes_it() -> None:
    sock = Buffered(WIDE)
    gathering = Gathering(cast(Any, sock), 0)
    gathering.review(10 * MS, 1_250_000)
    gathering.review(20 * MS, 2_500_000)
    gathering.end()
    assert sock.marks == [12_500, 1]
