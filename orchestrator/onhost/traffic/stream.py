"""What the four kinds of stream processes have in common."""

from __future__ import annotations

import socket
from typing import Callable, List, Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.traffic import evidence, kernel, signs
from orchestrator.onhost.traffic.evidence import Moment
from orchestrator.onhost.traffic.flows import Pair, Stream
from orchestrator.onhost.traffic.kernel_counts import KernelCounts
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.results import Process, StreamResult
from orchestrator.onhost.traffic.window import Window

_REPORTED = 10  # intervals at a time: one report a second
Report = Callable[[int, List[float], List[int]], None]


def _to_nobody(first: int, octets: List[float], datagrams: List[int]) -> None:
    """Where nobody wants the intervals."""


class StreamProcess:
    """One stream's half on this end. `prepare` does all that takes time; `run` is the traffic."""

    def __init__(self, pair: Pair, stream: Stream, sock: socket.socket) -> None:
        self.pair, self.stream, self.sock = pair, stream, sock
        self.codec = signs.signer(pair.token)
        self.counts: Optional[KernelCounts] = None  # where the job notes the kernel's count, of what receives TCP
        self._began: Optional[Moment] = None
        self._ended: Optional[Moment] = None
        self.report: Report = _to_nobody  # (first interval's number, octets, datagrams) of intervals that have ended
        self.last_interval: Optional[float] = None  # what was counted in it

    def marks(self, window: Window, unit_bytes: int = 1) -> Marks:
        """The window's marks, for a count of units of so much payload."""
        rate = self.pair.rate_bit_s
        return Marks(window.from_ns, window.to_ns, most_per_s=rate / 8 / unit_bytes if rate else None)

    def prepare(self) -> None:
        """Allocate and probe, before the start is told."""

    def run(self, window: Window) -> StreamResult:
        """The stream's result; raises Refusal when its peer is lost."""
        raise NotImplementedError

    def note_window(self, marks: Marks) -> None:
        """Called when marks have gone by: reads this process's figures at the window's two ends."""
        if self._began is None:
            self._began = evidence.moment()
        if marks.complete and self._ended is None:
            self._ended = evidence.moment()
        if marks.complete or len(marks.fresh) >= _REPORTED:
            self._tell_intervals(marks)

    def _tell_intervals(self, marks: Marks) -> None:
        size = self.stream.flow.datagram_bytes  # 0 for TCP, which counts octets
        first, counts = marks.take()
        self.last_interval = counts[-1] if counts else self.last_interval
        for place in range(0, len(counts), _REPORTED):  # a process that stood still has many at once
            some = counts[place : place + _REPORTED]
            octets: List[float] = [round(count * size) for count in some] if size else some
            self.report(first + place, octets, [round(count) for count in some] if size else [])

    def process(self) -> Process:
        """What this process used between the window's ends."""
        return evidence.between(self._began, self._ended)

    def core(self) -> Optional[int]:
        """The core this process ran on at the window's end."""
        return self._ended.core if self._ended else None

    def softirq_core(self) -> Optional[int]:
        """The core on which the kernel last took in something for this socket."""
        return kernel.incoming_core(self.sock)

    def lost(self, error: OSError) -> Refusal:
        """The refusal for a connection that ended in the middle of the traffic."""
        return Refusal(
            "peer_lost",
            f"the other end closed stream {self.stream.number} (port {self.stream.port}) in "
            f"the middle of the traffic: {error.strerror or error}",
            stream=self.stream.number,
            port=self.stream.port,
            errno=error.errno,
        )
