"""Frames that only the two ends of one trial can write."""

from __future__ import annotations

import pytest

from orchestrator.onhost.path.probe_frame import HEAD_BYTES, FrameCodec

TOKEN = "3c" * 32


def test_a_frame_is_read_as_it_was_written():
    codec = FrameCodec(TOKEN, "path proof")
    frame = codec.read(codec.write(3, 77, size_bytes=9000, nanoseconds=123, payload_bytes=8972))
    assert frame == (3, 9000, 77, 123, 8972)


def test_the_min_ipv4_packet_has_room_for_a_frame():
    """RFC 791: every link carries 68 octets; IP and UDP headers take 28 of them."""
    assert HEAD_BYTES <= 68 - 28


@pytest.mark.parametrize("codec", [FrameCodec("3d" * 32, "path proof"), FrameCodec(TOKEN, "round trip")])
def test_another_token_or_another_purpose_reads_nothing(codec: FrameCodec):
    assert codec.read(FrameCodec(TOKEN, "path proof").write(3, 77)) is None


def test_every_changed_bit_of_the_head_is_noticed():
    codec = FrameCodec(TOKEN, "path proof")
    written = codec.write(3, 77, size_bytes=9000)
    for bit in range(8 * HEAD_BYTES):
        damaged = bytearray(written)
        damaged[bit // 8] ^= 1 << bit % 8
        assert codec.read(bytes(damaged)) is None


@pytest.mark.parametrize("payload", [b"", b"x", bytes(HEAD_BYTES - 1), bytes(HEAD_BYTES), bytes(9000)])
def test_garbage_is_no_frame(payload: bytes):
    assert FrameCodec(TOKEN, "path proof").read(payload) is None


def test_a_token_that_can_be_guessed_is_refused():
    with pytest.raises(ValueError, match="guessed"):
        FrameCodec("00" * 8, "path proof")
