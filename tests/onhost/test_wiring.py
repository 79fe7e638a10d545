"""Calls without an address: refused to those who may not, heard only from those who know the token."""

from __future__ import annotations

import os
import secrets

import pytest

from orchestrator.onhost.path import wiring
from orchestrator.onhost.path.probe_frame import FrameCodec
from orchestrator.onhost.refusal import Refusal
from tests.onhost.own_namespace import as_ordinary_user

TOKEN = secrets.token_hex(32)


class Frames:
    """A raw socket that holds one frame."""

    def __init__(self, payload: bytes, kind: int = 1) -> None:
        self._frame = b"\xff" * 6 + bytes(6) + wiring.LOCAL_EXPERIMENTAL.to_bytes(2, "big") + payload
        self._kind = kind

    def recvfrom(self, _most: int) -> tuple[bytes, tuple[str, int, int, int, bytes]]:
        return self._frame, ("eth1", wiring.LOCAL_EXPERIMENTAL, self._kind, 1, bytes(6))


def heard(payload: bytes, kind: int = 1) -> set[wiring.Heard]:
    found: set[wiring.Heard] = set()
    wiring._hear(Frames(payload, kind), FrameCodec(TOKEN, "wiring"), found)  # type: ignore[arg-type]
    return found


def call_of(token: str, purpose: str = "wiring") -> bytes:
    return FrameCodec(token, purpose).write(1, 7, size_bytes=3, payload_bytes=46)


def test_a_call_names_its_host_and_interface_and_ours() -> None:
    assert heard(call_of(TOKEN)) == {(3, 7, "eth1")}


def test_a_stranger_an_overheard_purpose_and_our_own_frame_are_not_heard() -> None:
    assert heard(call_of(secrets.token_hex(32))) == set()
    assert heard(call_of(TOKEN, "path")) == set()
    assert heard(secrets.token_bytes(60)) == set()
    assert heard(b"") == set()
    assert heard(call_of(TOKEN), kind=4) == set()


def test_the_frame_has_the_type_kept_for_local_experiments() -> None:
    """IEEE Std 802: 0x88B5 is Local Experimental EtherType 1; a frame is at least 60 octets without its check."""
    assert wiring.LOCAL_EXPERIMENTAL == 0x88B5
    assert 14 + len(call_of(TOKEN)) == 60


def refused_call() -> str:
    with pytest.raises(Refusal) as refused:
        wiring.call({"token": TOKEN, "interface": "lo", "number": 0})
    return refused.value.code


def test_who_may_not_send_raw_frames_is_told_so() -> None:
    assert as_ordinary_user(refused_call) == "needs_root"


def test_an_interface_that_is_not_there_is_named() -> None:
    if os.getuid() != 0:
        pytest.skip("raw sockets need root")
    with pytest.raises(Refusal, match="nowhere0"):
        wiring.call({"token": TOKEN, "interface": "nowhere0", "number": 0})
