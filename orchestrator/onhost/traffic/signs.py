"""What the two ends show each other besides payload, all made with the trial's token.

A token is drawn afresh for every trial by the controller and reaches both ends over SSH. Who does not have it can
neither open a stream (HELLO), nor end one (END), nor invent datagrams: the sequence numbers start at a secret number.
"""

from __future__ import annotations

import hashlib
import os
import socket
from typing import Dict, List, Optional

from orchestrator.onhost.path.probe_frame import HEAD_BYTES, Frame, FrameCodec
from orchestrator.onhost.system.device_socket import Address
from orchestrator.onhost.traffic.datagrams import PHASES

HELLO, WELCOME, ALIVE, END = 1, 2, 3, 4
SIGN_BYTES = HEAD_BYTES
NO_NUMBER = 0  # a sequence number that no stream has: all start at 2^61 or above
_PURPOSE = "traffic"


def fresh_token() -> str:
    """A new token of 64 hex digits: one per trial and attempt."""
    return os.urandom(32).hex()


def signer(token: str) -> FrameCodec:
    """Writes and reads the signs of one trial."""
    return FrameCodec(token, _PURPOSE)


def hello(codec: FrameCodec, stream: int, sock: socket.socket) -> bytes:
    """The dialling end's first words on a stream; worth nothing from any other address or port."""
    return codec.write(HELLO, stream, nanoseconds=_place(sock.getsockname()))


def is_hello(frame: Optional[Frame], stream: int, source: Address) -> bool:
    """Whether a frame opens this stream and comes from where it says."""
    return (
        frame is not None and frame.kind == HELLO and frame.sequence == stream and frame.nanoseconds == _place(source)
    )


def end_of_datagrams(codec: FrameCodec, accepted: List[int]) -> bytes:
    """What a sender of datagrams says at its end: how many were accepted in each phase, one frame for each."""
    return b"".join(codec.write(END, phase, nanoseconds=count) for phase, count in enumerate(accepted))


def read_end(codec: FrameCodec, payload: bytes) -> Dict[int, int]:
    """The same, read: datagrams by phase; empty when this is something else. Several may arrive in one block."""
    found = {}
    for place in range(0, len(payload) - SIGN_BYTES + 1, SIGN_BYTES):
        frame = codec.read(payload[place : place + SIGN_BYTES])
        if frame is None or frame.kind != END or frame.sequence >= PHASES:
            break
        found[frame.sequence] = frame.nanoseconds
    return found


def first_number(token: str, stream: int) -> int:
    """Where a stream's sequence numbers start: in [2^61, 2^62), so that they never wrap round."""
    digest = hashlib.blake2b(b"%d" % stream, key=bytes.fromhex(token)[:64], person=b"first number", digest_size=8)
    return (1 << 61) + (int.from_bytes(digest.digest(), "big") >> 3)


def _place(address: Address) -> int:
    """An address and port as a number of 64 bits."""
    text = f"{address[0].partition('%')[0]} {address[1]}".encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "big")
