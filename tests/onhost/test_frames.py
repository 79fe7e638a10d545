"""Frames: what goes in comes out, and not one wrong byte gets through."""

from __future__ import annotations

import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.onhost.service.frames import FRAME_LIMIT_BYTES, FrameError, FrameReader, encode

MESSAGE = {"id": 7, "verb": "apply", "args": {"uses": [{"setting": "mtu", "target": "eth1", "level": 9000}]}}
NUMBERS = st.integers(-(2**60), 2**60) | st.floats(allow_nan=False, allow_infinity=False)
JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=6,
)


@given(messages=st.lists(st.dictionaries(st.text(), JSON), max_size=5), cut=st.integers(1, 40))
def test_messages_arrive_as_sent_however_the_stream_is_cut(messages: list[dict[str, object]], cut: int) -> None:
    stream = b"".join(encode(message) for message in messages)
    reader = FrameReader()
    arrived = [message for start in range(0, len(stream), cut) for message in reader.feed(stream[start : start + cut])]
    assert arrived == messages
    assert list(reader.feed(encode(MESSAGE))) == [MESSAGE], "nothing is left of what came before"


def test_every_flipped_bit_is_noticed_at_once() -> None:
    """Also in the length, which would otherwise be waited for."""
    frame = encode(MESSAGE)
    for place in range(len(frame)):
        for bit in range(8):
            damaged = bytearray(frame)
            damaged[place] ^= 1 << bit
            with pytest.raises(FrameError):
                list(FrameReader().feed(bytes(damaged)))


def test_every_inserted_and_every_lost_byte_is_noticed_by_the_next_frame() -> None:
    frame = encode(MESSAGE)
    for place in range(len(frame)):
        for damaged in (frame[:place] + b"x" + frame[place:], frame[:place] + frame[place + 1 :]):
            with pytest.raises(FrameError):
                list(FrameReader().feed(damaged + frame + frame))


def test_an_unfinished_frame_is_waited_for() -> None:
    reader = FrameReader()
    assert list(reader.feed(encode(MESSAGE)[:-1])) == []
    assert list(reader.feed(encode(MESSAGE)[-1:])) == [MESSAGE]


def test_a_message_that_is_too_large_is_not_sent_and_not_waited_for() -> None:
    with pytest.raises(FrameError, match="larger than"):
        encode({"body": "x" * FRAME_LIMIT_BYTES})
    head = struct.pack(">II", FRAME_LIMIT_BYTES + 1, 0)
    with pytest.raises(FrameError, match="announced"):
        list(FrameReader().feed(head + struct.pack(">I", zlib.crc32(head))))


@pytest.mark.parametrize("body", [b"[]", b"1", b"{", b"\xff\xfe", b"[" * 100_000])
def test_a_whole_frame_that_is_no_object_is_refused(body: bytes) -> None:
    head = struct.pack(">II", len(body), zlib.crc32(body))
    with pytest.raises(FrameError):
        list(FrameReader().feed(head + struct.pack(">I", zlib.crc32(head)) + body))


def test_not_a_number_cannot_be_sent() -> None:
    """JSON has none; another reader would stumble over it."""
    with pytest.raises(ValueError, match="JSON compliant"):
        encode({"rate": float("nan")})
