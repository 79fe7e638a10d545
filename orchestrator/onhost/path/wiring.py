"""Wiring proof: a broadcast frame leaves by one interface; whoever hears it says by which interface it came in.

Addresses are not needed, so it also tells where a cable ends whose ends have none, or the wrong ones. The frames have
the type that IEEE Std 802 (clause on local experimental EtherTypes) keeps for such purposes and show the token of this
proof: what anybody else sends is not heard. Raw sockets need root.
"""

from __future__ import annotations

import select
import socket
import time
from typing import List, Set, Tuple, TypedDict, Union

from orchestrator.onhost.path.probe_frame import FrameCodec
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.system.device_socket import raw_socket

LOCAL_EXPERIMENTAL = 0x88B5
SENDS, APART_S = 3, 0.03  # one may meet a port that is just coming up
_PURPOSE, _CALL = "wiring", 1
_OUTGOING = 4  # PACKET_OUTGOING, include/uapi/linux/if_packet.h: our own frame on its way out
_HEADER_BYTES, _MIN_PAYLOAD_BYTES = 14, 46
_DRAIN_S = 0.1

Heard = Tuple[int, int, str]


class CallArguments(TypedDict):
    """By which interface to call; `number` is what the controller calls this host."""

    token: str
    interface: str
    number: int


class Called(TypedDict):
    """How many frames were sent."""

    sent: int


class ListenArguments(TypedDict):
    """Whose calls to hear, and for how long at most."""

    token: str
    timeout_s: float


class HeardCalls(TypedDict):
    """[number of the host, index of its interface, name of ours] of each call."""

    heard: List[List[Union[int, str]]]


def call(args: CallArguments) -> Called:
    """Send the call by `interface`; `number` is what the controller calls this host. Refusal "needs_root"."""
    interface = args["interface"]
    codec = FrameCodec(args["token"], _PURPOSE)
    with _raw_socket() as raw:
        try:
            raw.bind((interface, LOCAL_EXPERIMENTAL))
            own = raw.getsockname()[4]
            index = socket.if_nametoindex(interface)
            for turn in range(SENDS):
                payload = codec.write(
                    _CALL, index, size_bytes=args["number"], nanoseconds=turn, payload_bytes=_MIN_PAYLOAD_BYTES
                )
                raw.send(b"\xff" * 6 + own + LOCAL_EXPERIMENTAL.to_bytes(2, "big") + payload)
                time.sleep(APART_S)
        except OSError as error:
            raise Refusal(
                "wiring_not_sent",
                f"{interface}: a broadcast frame cannot be sent: {error.strerror}",
                interface=interface,
                errno=error.errno,
            ) from error
    return {"sent": SENDS}


def listen(args: ListenArguments, talk: Talk) -> HeardCalls:
    """What is heard on all interfaces until the controller says something."""
    codec = FrameCodec(args["token"], _PURPOSE)
    until = time.monotonic() + args["timeout_s"]
    heard: Set[Heard] = set()
    with _raw_socket() as raw:
        talk.event({"stage": "listening"})
        ends: List[Union[socket.socket, Talk]] = [raw, talk]
        while time.monotonic() < until:
            readable, _, _ = select.select(ends, [], [], max(until - time.monotonic(), 0))
            if raw in readable:
                _hear(raw, codec, heard)
            if talk in readable:  # it was the last call: what is under way may still arrive
                until = min(until, time.monotonic() + _DRAIN_S)
                talk.wait(1.0)
    return {"heard": [list(one) for one in sorted(heard)]}


def _hear(raw: socket.socket, codec: FrameCodec, heard: Set[Heard]) -> None:
    try:
        frame, (interface, _, kind, *_) = raw.recvfrom(2048)
    except OSError:  # an interface that went down meanwhile says so here
        return
    said = codec.read(frame[_HEADER_BYTES:])
    if said is not None and said.kind == _CALL and kind != _OUTGOING:
        heard.add((said.size_bytes, said.sequence, interface))


def _raw_socket() -> socket.socket:
    return raw_socket(LOCAL_EXPERIMENTAL)
