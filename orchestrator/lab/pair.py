"""A TCP sender and receiver of a few lines, to check and fit a lab without the code that the lab is there to try."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO

from orchestrator.lab.places import Place

_RECEIVE = """
import socket, sys, time
listener = socket.create_server((sys.argv[1], 20000)); print("listening", flush=True)
stream, _ = listener.accept()
block, wanted_s = bytearray(1 << 20), float(sys.argv[2])
warm_until = time.monotonic() + 0.5
while time.monotonic() < warm_until:
    stream.recv_into(block)
began, count = time.monotonic(), 0
while time.monotonic() - began < wanted_s:
    count += stream.recv_into(block)
print(count * 8 / (time.monotonic() - began))
"""
_SEND = """
import socket, struct, sys, time
stream = socket.create_connection((sys.argv[1], 20000))
until = time.monotonic() + 30
try:
    while time.monotonic() < until:
        stream.send(bytes(1 << 18))
except OSError:
    pass
print(struct.unpack_from("I", stream.getsockopt(6, 11, 256), 100)[0])  # TCP_INFO: tcpi_total_retrans
"""


@contextmanager
def running(place: Place, code: str, *arguments: object) -> Iterator[tuple[IO[str], IO[str]]]:
    """A Python program in a place, as (its input, its output); killed at the end."""
    program = place.start(
        ["python3", "-c", code, *map(str, arguments)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with program:
        try:
            assert program.stdin  # noqa: S101 - for the type checker: both are pipes
            assert program.stdout  # noqa: S101
            yield program.stdin, program.stdout
        finally:
            program.kill()


def tcp_goodput_bit_s(sender: Place, receiver: Place, address: str, seconds: float = 1.0) -> tuple[float, int]:
    """Payload bits per second that arrive at the receiver's `address`, and the segments that were sent again.

    Half a second goes by before counting begins.
    """
    with running(receiver, _RECEIVE, address, seconds) as (_, counted):
        counted.readline()
        with running(sender, _SEND, address) as (_, sent):
            return float(counted.readline()), int(sent.readline())
