"""A relay of our own between two hosts' namespaces: forwards frames between two ports, late, twice or not at all.

It reads and writes whole frames on packet sockets (AF_PACKET) and counts what it did, so that a test knows exactly what
the path did to the traffic. Meant for some ten thousand frames a second.
"""

from __future__ import annotations

import heapq
import os
import pickle
import select
import signal
import socket
import struct
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

ALL_FRAMES = 0x0003  # ETH_P_ALL
TIMESTAMPS = 35  # SO_TIMESTAMPNS: when the kernel had the frame, however late the relay gets to run
OUTGOING = 4  # PACKET_OUTGOING: our own frames, seen again


@dataclass
class Deeds:
    """What the relay did to the frames that its rule looked at."""

    seen: int = 0
    doubled: int = 0
    held: int = 0
    delays_s: dict[int, float] = field(default_factory=dict)  # of each held frame, by its number: how long it was held


# number among the frames looked at -> (how often to forward it, how long to hold it in seconds)
Rule = Callable[[int], tuple[int, float]]


def datagram_to(port: int) -> Callable[[bytes], bool]:
    """Whether a frame is an IPv4 datagram of ours to this port, and no sign of the pair's."""

    def looks(frame: bytes) -> bool:
        return (
            frame[12:14] == b"\x08\x00"
            and frame[23] == socket.IPPROTO_UDP
            and frame[36:38] == struct.pack("!H", port)
            and len(frame) > 300
        )

    return looks


def every(frame: bytes) -> bool:
    """All frames."""
    return True


@contextmanager
def relaying(
    one: str, other: str, rule: Rule, looks_at: Callable[[bytes], bool] = every
) -> Iterator[Callable[[], Deeds]]:
    """Forward between two interfaces of this network namespace; the value is a function that ends it and tells."""
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(readable)
        _live(one, other, rule, looks_at, writable)
    os.close(writable)
    ended: list[Deeds] = []

    def end() -> Deeds:
        if not ended:
            os.kill(child, signal.SIGTERM)
            with os.fdopen(readable, "rb") as pipe:
                ended.append(pickle.loads(pipe.read()))  # noqa: S301 - our own child's
            os.waitpid(child, 0)
        return ended[0]

    time.sleep(0.1)
    try:
        yield end
    finally:
        end()


def stamp(ancillary: list[tuple[int, int, bytes]]) -> float:
    """The kernel's receive time, seconds of the wall clock."""
    seconds, nanoseconds = struct.unpack("@ll", ancillary[0][2])
    return float(seconds + nanoseconds / 1e9)


def _live(one: str, other: str, rule: Rule, looks_at: Callable[[bytes], bool], writable: int) -> None:
    stopped: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stopped.append(number))
    deeds = Deeds()
    try:
        _forward(one, other, rule, looks_at, deeds, stopped)
    finally:
        with os.fdopen(writable, "wb") as pipe:
            pipe.write(pickle.dumps(deeds))
        os._exit(0)


def _forward(
    one: str, other: str, rule: Rule, looks_at: Callable[[bytes], bool], deeds: Deeds, stopped: list[int]
) -> None:
    sockets = {}
    for name in (one, other):
        sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ALL_FRAMES))
        sock.bind((name, ALL_FRAMES))
        sock.setsockopt(socket.SOL_SOCKET, 33, 16 * 1024 * 1024)  # SO_RCVBUFFORCE: the relay itself loses nothing
        sock.setsockopt(socket.SOL_SOCKET, TIMESTAMPS, 1)
        sock.setblocking(False)
        sockets[name] = sock
    opposite = {sockets[one]: sockets[other], sockets[other]: sockets[one]}
    waiting: list[tuple[float, int, socket.socket, bytes, float]] = []
    while not stopped:
        bound = max(0.0, waiting[0][0] - time.time()) if waiting else 0.05
        # spin through short waits: a hold of a millisecond must not become two
        readable, _, _ = select.select(list(opposite), [], [], 0 if bound < 0.0005 else bound - 0.0003)
        for sock in readable:
            for _ in range(64):
                try:
                    frame, ancillary, _, source = sock.recvmsg(65536, 64)
                except BlockingIOError:
                    break
                if source[2] == OUTGOING:
                    continue
                arrived = stamp(ancillary)
                copies, hold_s = 1, 0.0
                if looks_at(frame):
                    copies, hold_s = rule(deeds.seen)
                    deeds.seen += 1
                    deeds.doubled += copies > 1
                    deeds.held += hold_s > 0
                for _ in range(copies):
                    if hold_s == 0:
                        opposite[sock].send(frame)
                    else:
                        heapq.heappush(waiting, (arrived + hold_s, deeds.seen - 1, opposite[sock], frame, arrived))
        while waiting and waiting[0][0] <= time.time():
            _, number, out, frame, arrived = heapq.heappop(waiting)
            out.send(frame)
            deeds.delays_s[number] = time.time() - arrived
