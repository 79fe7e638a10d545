"""The heads of datagrams in batches: written, compared and read back right for every size, boundary and count."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.onhost.traffic.datagrams import BatchReader, BatchWriter, line_for

# 8, 4, 2 and 1 as the common divisor with the eight octets of a word: each has its own way of being written
SIZES = (1472, 1452, 18, 1471, 16, 8972, 17)
START = (1 << 61) + 12345


def plainly(buffer: bytearray, size: int, count: int) -> list[tuple[int, int]]:
    """The heads, read one by one."""
    return [struct.unpack_from("<QQ", buffer, place * size) for place in range(count)]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("count", [1, 2, 5, 44, 64])
def test_every_datagram_of_a_batch_carries_its_number_and_the_time(size: int, count: int) -> None:
    writer = BatchWriter(size, count)
    for first, time_ns in ((START, 7), (START + count, 1 << 33), (START + 9 * count, (1 << 33) + 1)):
        writer.write(first, count, time_ns)
        assert plainly(writer.buffer, size, count) == [(first + place, time_ns) for place in range(count)]


@pytest.mark.parametrize("size", SIZES)
def test_numbers_stay_right_where_their_low_bits_run_over(size: int) -> None:
    count = 44
    writer = BatchWriter(size, count)
    for power in (13, 14, 16, 17, 32, 40, 48):
        boundary = (1 << 61) + (1 << power)
        for first in range(boundary - 2 * count, boundary + 2 * count, 11):
            writer.write(first, count, first & 0xFFFFFFFFFF)
            assert [number for number, _ in plainly(writer.buffer, size, count)] == list(range(first, first + count))


@pytest.mark.parametrize("size", SIZES)
def test_a_batch_as_expected_is_recognised_and_any_other_is_not(size: int) -> None:
    count = 20
    writer = BatchWriter(size, count)
    line = line_for(size)
    reader = BatchReader(writer.buffer, 0, size, count)
    for first in (START, START + (1 << 16) - 7, START + (1 << 40)):
        writer.write(first, count, 5)
        assert reader.are(line, line.index(first), count)
        assert reader.numbers(count) == tuple(range(first, first + count))
        assert reader.times_ns(count) == (5,) * count
        for place in range(count):
            for wrong in (first + place + 1, first + place + (1 << 16), first + place + (1 << 48)):
                struct.pack_into("<Q", writer.buffer, place * size, wrong)
                assert not reader.are(line, line.index(first), count)
            struct.pack_into("<Q", writer.buffer, place * size, first + place)


@given(
    size=st.integers(16, 200),
    offset=st.integers(0, 40),
    first=st.integers(1 << 61, (1 << 62) - 1000),
    count=st.integers(1, 30),
)
def test_a_reader_finds_heads_anywhere_in_a_buffer(size: int, offset: int, first: int, count: int) -> None:
    writer = BatchWriter(size, count)
    writer.write(first, count, 99)
    buffer = bytearray(8 * offset) + writer.buffer + bytearray(16)
    reader, line = BatchReader(buffer, 8 * offset, size, count), line_for(size)
    assert reader.are(line, line.index(first), count)
    assert reader.numbers(count) == tuple(range(first, first + count))
