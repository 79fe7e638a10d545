"""An independent referee: what the switch's shaper had let through at the marks of a window, by its own count.

Read over netlink by a process of the test's own in the switch's namespace, ahead of everything else in the machine's
queue of processes where the test may ask for that. Every lab host shares the machine's clock, so the instants are the
traffic's own. Formats: linux/pkt_sched.h, linux/gen_stats.h, linux/rtnetlink.h.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import socket
import struct
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

_GET_QDISC, _REQUEST, _DUMP, _DONE = 38, 1, 0x300, 3
_HEAD, _TC = struct.Struct("=IHHII"), struct.Struct("=BxxxiIII")
_STATS2, _BASIC = 7, 1
_EARLY_NS = 1_000_000
# What the shaper counts of a frame beside the payload: preamble, check sequence and gap 24 (its size table), Ethernet
# header 14, and IP with UDP or with TCP and its timestamps (RFC 791, 8200, 768, 9293, 7323).
_FRAME_BYTES = 24 + 14
OVERHEAD_BYTES = {
    ("tcp", 4): _FRAME_BYTES + 52,
    ("tcp", 6): _FRAME_BYTES + 72,
    ("udp", 4): _FRAME_BYTES + 28,
    ("udp", 6): _FRAME_BYTES + 48,
}


class Reading(NamedTuple):
    """The shaper's count at an instant between `from_ns` and `to_ns` of CLOCK_MONOTONIC."""

    from_ns: int
    to_ns: int
    octets: int
    frames: int

    def payload(self, transport: str, family: int) -> int:
        """Payload that has passed the shaper, were it all of this kind; differences of it are exact."""
        return self.octets - self.frames * OVERHEAD_BYTES[transport, family]


def read_shaper(link: socket.socket, index: int) -> Reading:
    """One look at the root queue of an interface; `link` is a routing netlink socket in its namespace."""
    body = _TC.pack(socket.AF_UNSPEC, index, 0, 0, 0)
    begun = time.monotonic_ns()
    link.send(_HEAD.pack(_HEAD.size + len(body), _GET_QDISC, _REQUEST | _DUMP, 1, 0) + body)
    found = None
    while True:
        for kind, message in _messages(link.recv(65536)):
            if kind == _DONE:
                ended = time.monotonic_ns()
                if found is None:
                    raise LookupError(f"interface {index} has no queue that counts")
                return Reading(begun, ended, *found)
            _, its_index, _, parent, _ = _TC.unpack_from(message)
            if its_index == index and parent == 0xFFFFFFFF:
                found = _basic(message[_TC.size :])


def _messages(data: bytes) -> Iterator[tuple[int, bytes]]:
    while data:
        length, kind = _HEAD.unpack_from(data)[:2]
        yield kind, data[_HEAD.size : length]
        data = data[(length + 3) // 4 * 4 :]


def _attributes(data: bytes) -> Iterator[tuple[int, bytes]]:
    while len(data) >= 4:
        length, kind = struct.unpack_from("=HH", data)
        yield kind & 0x3FFF, data[4:length]
        data = data[(length + 3) // 4 * 4 :]


def _basic(data: bytes) -> tuple[int, int]:
    statistics = dict(_attributes(dict(_attributes(data))[_STATS2]))
    octets, frames = struct.unpack_from("=QI", statistics[_BASIC])
    return octets, frames


class Referee:
    """A child in the switch that reads a port's shaper just before and at every mark of the window it is told."""

    def __init__(self, enter: Callable[[], None], port: str) -> None:
        self._results, child_results = os.pipe()
        child_orders, self._orders = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            code = 1
            try:
                os.close(self._orders)
                enter()
                _watch(port, child_orders, child_results)
                code = 0
            finally:
                os._exit(code)
        os.close(child_results)
        os.close(child_orders)

    def watch(self, marks_ns: Sequence[int]) -> None:
        """Begin; to be called before the first mark."""
        os.write(self._orders, pickle.dumps(list(marks_ns)))
        os.close(self._orders)

    def payload_at_marks(self, transport: str, family: int) -> list[tuple[float, float]]:
        """(payload let through by then, s by which the readings around the mark miss it) for each mark."""
        with os.fdopen(self._results, "rb") as pipe:
            raw = pipe.read()
        os.waitpid(self._pid, 0)
        found: list[tuple[int, Reading, Reading]] = pickle.loads(raw)  # noqa: S301 - our own child's
        return [_at(mark, early, late, transport, family) for mark, early, late in found]


def _at(mark_ns: int, early: Reading, late: Reading, transport: str, family: int) -> tuple[float, float]:
    first, last = early.payload(transport, family), late.payload(transport, family)
    at_first, at_last = (early.from_ns + early.to_ns) / 2, (late.from_ns + late.to_ns) / 2
    share = (mark_ns - at_first) / (at_last - at_first)
    return first + share * (last - first), abs(at_last - mark_ns) / 1e9


def _watch(port: str, orders: int, results: int) -> None:
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
    index = socket.if_nametoindex(port)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as link:
        link.bind((0, 0))
        marks = pickle.loads(os.read(orders, 1 << 16))  # noqa: S301 - our own parent's
        found = []
        for mark in marks:
            _sleep_until(mark - _EARLY_NS)
            early = read_shaper(link, index)
            _sleep_until(mark)
            found.append((mark, early, read_shaper(link, index)))
    with os.fdopen(results, "wb") as pipe:
        pipe.write(pickle.dumps(found))


def _sleep_until(at_ns: int) -> None:
    ahead_ns = at_ns - time.monotonic_ns()
    if ahead_ns > 0:
        time.sleep(ahead_ns / 1e9)
