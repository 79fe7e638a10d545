"""Strangers: whoever does not know the trial's token gets nothing back and changes no count."""

from __future__ import annotations

import os
import socket
import struct
import time
from collections.abc import Iterator
from typing import Any

import pytest

from orchestrator.onhost.traffic import signs
from tests.onhost.traffic.own_ports import OWN_PORTS
from tests.onhost.traffic.two_ends import Running, arguments, flow, other_end, part, times
from tests.onhost.traffic.wire_lab import as_ordinary_user

SERVER, PEER, STRANGER = "127.0.0.2", "127.0.0.1", "127.0.0.3"
PORTS = OWN_PORTS[120:130]
FLOWS = [
    flow("transmit", "tcp", pacing_bit_s=8e6),
    flow("transmit", "udp", datagram_bytes=600, intended_load_bit_s=4e6),
]
TCP_PORT, UDP_PORT = PORTS[0], PORTS[1]


@pytest.fixture
def serving() -> Iterator[tuple[Running, dict[str, Any]]]:
    """A serving end that waits for its peer."""
    args = arguments(FLOWS, ports=PORTS)
    running = Running("serve", other_end(args))
    running.event("listening")
    yield running, args
    running.end()


def answer_to(payload: bytes, source: str, port: int, *, wait_s: float = 0.4) -> bytes | None:
    """What a TCP port sends to somebody who says this: b"" when it closes in silence, None when nothing happens."""
    with socket.socket() as stranger:
        stranger.bind((source, 0))
        stranger.settimeout(wait_s)
        try:
            stranger.connect((SERVER, port))
            stranger.sendall(payload)
            stranger.settimeout(2.0)
            return stranger.recv(1000)
        except TimeoutError:
            return None
        except ConnectionError:
            return b""


def answer_to_datagram(payload: bytes, source: str, port: int, wait_s: float = 0.3) -> bytes | None:
    """The same for UDP; ICMP's "port unreachable" counts as an answer."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.bind((source, 0))
        stranger.connect((SERVER, port))
        stranger.settimeout(wait_s)
        stranger.send(payload)
        try:
            return stranger.recv(1000)
        except TimeoutError:
            return None
        except ConnectionRefusedError:
            return b"port unreachable"


def test_another_address_is_not_even_answered_by_the_kernel(serving: tuple[Running, dict[str, Any]]) -> None:
    assert answer_to(b"x" * 32, STRANGER, TCP_PORT) is None, "not even the connection is answered"
    assert answer_to_datagram(b"x" * 32, STRANGER, UDP_PORT) is None


def test_the_peers_address_without_the_token_is_closed_in_silence(serving: tuple[Running, dict[str, Any]]) -> None:
    _, args = serving
    with socket.socket() as place:
        place.bind((PEER, 0))
        other_token = signs.hello(signs.signer(signs.fresh_token()), 0, place)
        other_stream = signs.hello(signs.signer(args["token"]), 1, place)
    for payload in (b"GET / HTTP/1.0\r\n\r\n" + b" " * 20, os.urandom(32), other_token, other_stream, b"short"):
        assert not answer_to(payload, PEER, TCP_PORT)
        assert answer_to_datagram(payload, PEER, UDP_PORT) is None


def test_a_hello_that_was_overheard_is_worth_nothing_from_another_port(serving: tuple[Running, dict[str, Any]]) -> None:
    """The hello names the place it was made for: repeating its octets from elsewhere opens nothing."""
    _, args = serving
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as genuine:
        genuine.bind((PEER, 0))
        overheard = signs.hello(signs.signer(args["token"]), 1, genuine)
        assert answer_to_datagram(overheard, PEER, UDP_PORT) is None
        genuine.connect((SERVER, UDP_PORT))
        genuine.settimeout(2.0)
        genuine.send(overheard)
        assert signs.signer(args["token"]).read(genuine.recv(1000)) is not None, "from its own place it is good"


def test_a_stranger_in_the_middle_of_the_traffic_changes_no_count() -> None:
    args = arguments(FLOWS, ports=PORTS)
    serving = Running("serve", other_end(args))
    dialling = None
    try:
        serving.event("listening")
        dialling = Running("dial", args)
        dialling.event("connected")
        serving.event("connected")
        assert answer_to(os.urandom(32), STRANGER, TCP_PORT) is None
        told = times(0.6)
        for one in (serving, dialling):
            one.job.tell(told)
        flood(told["window_to_ns"])
        assert answer_to(os.urandom(32), PEER, TCP_PORT, wait_s=0.2) is None, "the listener is deaf by now"
        assert answer_to_datagram(os.urandom(600), PEER, UDP_PORT, wait_s=0.2) is None
        sent, got = dialling.result(), serving.result()
        udp = next(each for each in got["parts"] if each["transport"] == "udp")
        of_udp = next(each for each in sent["parts"] if each["transport"] == "udp")
        assert udp["datagrams_received"] == of_udp["datagrams_sent"]
        assert udp["datagrams_duplicate"] == udp["datagrams_reordered"] == 0
        assert part(got, "receive")["received_bytes"] == part(sent, "send")["sent_bytes"]
    finally:
        serving.end()
        if dialling:
            dialling.end()


def flood(until_ns: int) -> None:
    """Datagrams as large as ours, from a stranger's address and from another port of the peer's."""
    inet, datagrams = socket.AF_INET, socket.SOCK_DGRAM
    with socket.socket(inet, datagrams) as far, socket.socket(inet, datagrams) as near:
        far.bind((STRANGER, 0))
        near.bind((PEER, 0))
        sent = 0
        while time.monotonic_ns() < until_ns and sent < 20000:
            for sock in (far, near):
                sock.sendto(struct.pack("<Q", (1 << 61) + sent).ljust(600, b"x"), (SERVER, UDP_PORT))
            sent += 1
        assert sent > 100


def test_without_privilege_a_stranger_is_closed_without_a_word() -> None:
    """Some kernels keep filters on TCP sockets for root: there the connection is made, and nothing is said on it."""

    def body() -> list[bytes | None]:
        serving = Running("serve", other_end(arguments(FLOWS, ports=PORTS)))
        try:
            serving.event("listening")
            return [answer_to(os.urandom(32), source, TCP_PORT) for source in (STRANGER, PEER)]
        finally:
            serving.end()

    assert not any(as_ordinary_user(body))


def test_a_token_is_drawn_afresh_every_time() -> None:
    drawn = {signs.fresh_token() for _ in range(1000)}
    assert len(drawn) == 1000
    assert all(len(bytes.fromhex(token)) == 32 for token in drawn)
    assert len({signs.first_number(token, stream) for token in list(drawn)[:50] for stream in (0, 1)}) == 100
