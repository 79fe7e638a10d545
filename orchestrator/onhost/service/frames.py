"""Frames on the helper's standard input and output: a checked header, then JSON.

A profile's background job may write into the same stream, so every byte is covered by a checksum and the
header by its own: a damaged length would otherwise be waited for. There is no resynchronising: the first bad
byte ends the session, because nothing behind it can be trusted to be whole. Shared by controller and host.
"""

from __future__ import annotations

import json
import struct
import zlib
from typing import Dict, Iterator, Mapping

from orchestrator.onhost.service.decoding import PART_BYTES, decode, parts_in

FRAME_LIMIT_BYTES = 4 * 1024 * 1024
Message = Dict[str, object]  # any JSON object: who takes it checks its shape
_HEADER = struct.Struct(">III")  # bytes of the body, crc32 of the body, crc32 of the two fields before
HEADER_BYTES = _HEADER.size


class FrameError(Exception):
    """The stream is not a sequence of our frames; nothing after this point can be read."""


def encode(message: Mapping[str, object]) -> bytes:
    """One message as a frame; FrameError when it is larger than the limit."""
    body = json.dumps(message, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode("ascii")
    if len(body) > FRAME_LIMIT_BYTES:
        raise FrameError(f"a message of {len(body)} bytes is larger than {FRAME_LIMIT_BYTES}")
    head = struct.pack(">II", len(body), zlib.crc32(body))
    return head + struct.pack(">I", zlib.crc32(head)) + body


class FrameReader:
    """Collects bytes as they come and yields the messages they make up."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self.weight_bytes = 0  # about what the message yielded last may take in memory, at the most

    def feed(self, data: bytes) -> Iterator[Message]:
        """The messages completed by `data`; FrameError at the first byte that is wrong."""
        self._bytes += data
        while len(self._bytes) >= HEADER_BYTES:
            size, body_sum, head_sum = _HEADER.unpack_from(self._bytes)
            if zlib.crc32(bytes(self._bytes[:8])) != head_sum:
                raise FrameError(f"something else wrote into the stream: {bytes(self._bytes[:80])!r}")
            if size > FRAME_LIMIT_BYTES:
                raise FrameError(f"a frame of {size} bytes was announced; the limit is {FRAME_LIMIT_BYTES}")
            if len(self._bytes) < HEADER_BYTES + size:
                return
            body = bytes(self._bytes[HEADER_BYTES : HEADER_BYTES + size])
            del self._bytes[: HEADER_BYTES + size]
            if zlib.crc32(body) != body_sum:
                raise FrameError("a frame's checksum is wrong: the stream was damaged or something else wrote into it")
            self.weight_bytes = size + PART_BYTES * parts_in(body)
            yield _message(body)


def _message(body: bytes) -> Message:
    try:
        return decode(body)
    except ValueError as error:
        raise FrameError(f"a frame is no message of ours: {error}") from error
