"""The small frames with which one end asks the other something: path proof and round-trip flow.

A frame carries a keyed digest of its head, made with the token that the controller drew for this trial and gave to both
ends over SSH. A stranger can neither ask nor answer; the purpose is part of the digest, so a frame that was overheard
in one flow is worth nothing in another; sequence numbers make a repeated frame recognisable.

    octet 0      kind          1 reserved   2-3  size asked for or proven, octets of IP packet
    octet 4-7    sequence number            8-15 nanoseconds (the answering end's own delay, or 0)
    octet 16-31  digest, then padding up to the size wanted
"""

from __future__ import annotations

import hashlib
import hmac
import struct
from typing import NamedTuple, Optional

_HEAD = struct.Struct("!BxHIQ")
_DIGEST_BYTES = 16
HEAD_BYTES = _HEAD.size + _DIGEST_BYTES


class Frame(NamedTuple):
    """What a frame says; `length_bytes` is the length of the UDP payload that carried it."""

    kind: int
    size_bytes: int
    sequence: int
    nanoseconds: int
    length_bytes: int


class FrameCodec:
    """Writes and reads frames of one purpose under one token."""

    def __init__(self, token_hex: str, purpose: str) -> None:
        """`token_hex` is at least 32 hex digits; `purpose` at most 16 ASCII letters."""
        self._key = bytes.fromhex(token_hex)[: hashlib.blake2b.MAX_KEY_SIZE]
        if len(self._key) < 16:
            raise ValueError("a token of %d octets can be guessed: at least 16 are needed" % len(self._key))
        self._purpose = purpose.encode("ascii")

    def _digest(self, head: bytes) -> bytes:
        return hashlib.blake2b(head, key=self._key, person=self._purpose, digest_size=_DIGEST_BYTES).digest()

    def write(
        self, kind: int, sequence: int, *, size_bytes: int = 0, nanoseconds: int = 0, payload_bytes: int = HEAD_BYTES
    ) -> bytes:
        """The UDP payload of a frame, padded to `payload_bytes` (never shorter than the head)."""
        head = _HEAD.pack(kind, size_bytes, sequence, nanoseconds)
        return (head + self._digest(head)).ljust(payload_bytes, b"\0")

    def read(self, payload: bytes) -> Optional[Frame]:
        """The frame, or None when it is not one of ours."""
        if len(payload) < HEAD_BYTES:
            return None
        head = bytes(payload[: _HEAD.size])
        if not hmac.compare_digest(bytes(payload[_HEAD.size : HEAD_BYTES]), self._digest(head)):
            return None
        kind, size_bytes, sequence, nanoseconds = _HEAD.unpack(head)
        return Frame(kind, size_bytes, sequence, nanoseconds, len(payload))
