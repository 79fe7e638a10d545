"""Sending without copying: every octet arrives, in order, however little the socket or a pipe takes at a time."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.traffic import zero_copy

PAYLOAD = os.urandom(256 * 1024)


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        sender = socket.create_connection(listener.getsockname())
        receiver = listener.accept()[0]
        with sender, receiver:
            yield sender, receiver


def received_after(sender: socket.socket, receiver: socket.socket, min_bytes: int) -> tuple[bytes, int]:
    """All that arrives when at least so much is pushed, and how much the pushes said."""
    got = bytearray()

    def read() -> None:
        while piece := receiver.recv(10_007):
            got.extend(piece)

    reading = threading.Thread(target=read)
    reading.start()
    try:
        push, said = zero_copy.push(sender, PAYLOAD), 0
        while said < min_bytes:
            said += push()
    finally:
        sender.shutdown(socket.SHUT_WR)
        reading.join(20)
    return bytes(got), said


def assert_repeated(got: bytes, unit: bytes) -> None:
    assert got == (unit * (len(got) // len(unit) + 1))[: len(got)]


def test_every_octet_arrives_in_order_again_and_again(ends: tuple[socket.socket, socket.socket]) -> None:
    got, said = received_after(*ends, 3_000_000)
    assert len(got) == said >= 3_000_000
    assert_repeated(got, PAYLOAD)


def test_a_socket_that_takes_little_at_a_time_loses_nothing(ends: tuple[socket.socket, socket.socket]) -> None:
    ends[0].setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 40_000)
    ends[1].setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 40_000)
    got, said = received_after(*ends, 700_000)
    assert len(got) == said
    assert_repeated(got, PAYLOAD)


def test_where_a_pipe_may_not_grow_its_own_size_does(
    monkeypatch: pytest.MonkeyPatch, ends: tuple[socket.socket, socket.socket]
) -> None:
    monkeypatch.setattr(zero_copy, "_SET_PIPE_BYTES", -1)  # refused by fcntl, as at a user's limit of pipe pages
    got, said = received_after(*ends, 1_000_000)
    assert len(got) == said
    assert_repeated(got, PAYLOAD[: 16 * os.sysconf("SC_PAGESIZE")])  # pipe(7): 16 pages unless asked for more


def test_without_splice_sendfile_does_it(
    monkeypatch: pytest.MonkeyPatch, ends: tuple[socket.socket, socket.socket]
) -> None:
    monkeypatch.setattr(zero_copy, "_LIBRARY", object())  # a C library without the calls
    got, said = received_after(*ends, 1_000_000)
    assert len(got) == said
    assert_repeated(got, PAYLOAD)


def test_a_full_socket_and_a_closed_one_are_told_as_a_send_tells_them(
    ends: tuple[socket.socket, socket.socket],
) -> None:
    sender, receiver = ends
    sender.setblocking(False)
    push = zero_copy.push(sender, PAYLOAD)

    def push_on() -> None:
        for _ in range(10_000):
            push()

    with pytest.raises(BlockingIOError):
        push_on()
    receiver.close()
    with pytest.raises((BrokenPipeError, ConnectionResetError)):
        push_on()


def test_a_host_without_files_in_memory_is_refused_by_name(
    monkeypatch: pytest.MonkeyPatch, ends: tuple[socket.socket, socket.socket]
) -> None:
    monkeypatch.delattr(os, "memfd_create")
    with pytest.raises(Refusal) as refused:
        zero_copy.push(ends[0], PAYLOAD)
    assert refused.value.code == "zero_copy_missing"


def test_nothing_stays_open_when_pipes_cannot_be_spliced(
    monkeypatch: pytest.MonkeyPatch, ends: tuple[socket.socket, socket.socket]
) -> None:
    monkeypatch.setattr(zero_copy, "_LIBRARY", object())
    before = len(list(Path("/proc/self/fd").iterdir()))
    zero_copy.push(ends[0], PAYLOAD)
    assert len(list(Path("/proc/self/fd").iterdir())) == before + 1  # the memory file, which sendfile reads
