"""The receiving half of one TCP stream: read into one buffer again and again, counted by when it arrived.

At a mark the kernel's own count of what it has taken in says how much had arrived, read or not. A process that comes
late to a mark (stopped, without a core, or its control group's share used up) has two other witnesses: the job's own
look at the kernel's count at the mark (kernel_counts.py), and the receive times of what lies unread.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import time
from functools import partial
from typing import Optional, Tuple

from orchestrator.onhost.system.socket_options import stamp_arrivals
from orchestrator.onhost.traffic import kernel, signs, tcp_info
from orchestrator.onhost.traffic.arrival_curve import ArrivalCurve
from orchestrator.onhost.traffic.flows import Pair, Stream
from orchestrator.onhost.traffic.gathering import Gathering
from orchestrator.onhost.traffic.kernel_counts import KernelCounts
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.patience import Patience
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.stamps import CONTROL_BYTES, StampClock, stamp_of
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.window import Window

RECEIVE_BYTES = 256 * 1024
_LEAST_PIECE_BYTES, _LARGEST_PIECE_BYTES = 4096, 65536
_RECEIVE_WAIT_S = 0.02
_CLOSE_NS = 25_000_000  # a little more than a receive may wait
_REVIEW_NS = 10_000_000
_ON_TIME_NS = 1_000_000  # what comes in so little time is small against a window, and known from both sides
_LOOKS = 5  # at clock and count, until no pause fell between the two


class TcpReceive(StreamProcess):
    """The receiving half."""

    def __init__(self, pair: Pair, stream: Stream, sock: socket.socket) -> None:
        super().__init__(pair, stream, sock)
        if kernel.TCP_INFO:
            self.counts = KernelCounts()

    def prepare(self) -> None:
        """Touch the buffer once, so that no page is new during the traffic."""
        self.sock.setblocking(True)
        kernel.set_timeout(self.sock, socket.SO_RCVTIMEO, _RECEIVE_WAIT_S)
        stamp_arrivals(self.sock)
        self._buffer = bytearray(os.urandom(4096)) * (RECEIVE_BYTES // 4096)
        self._stamps = StampClock()
        self._ending = self.codec.write(signs.END, self.stream.number)
        self._last_got = 0
        self._end_seen = True
        taken_in = tcp_info.taken_in_bytes(self.sock) if self.counts else None
        self.counted_by = "read" if taken_in is None else "kernel"
        self._greeting = taken_in - kernel.unread_bytes(self.sock) if taken_in is not None else 0

    def run(self, window: Window) -> StreamResult:
        """Read until the other end says that this was all."""
        marks = self.marks(window)
        self._curve = ArrivalCurve(window.start_ns)
        try:
            total = self._receive(marks, window)
        except (ConnectionResetError, BrokenPipeError) as error:
            raise self.lost(error) from error
        self._close()
        return {
            "received_bytes": total,
            "goodput_bytes": round(marks.window_count),
            "counted_by": self.counted_by,
            "edge_error_bytes": round(marks.edge_error),
            "process": self.process(),
            "softirq_core": self.softirq_core(),
            "end_seen": self._end_seen,
            "receive_buffer_bytes": self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF),
        }

    def _receive(self, marks: Marks, window: Window) -> int:
        clock = time.monotonic_ns
        # Filling the whole buffer takes the kernel as many wake-ups as anything else, but us only one return: that is
        # most of what Python costs. Close to a mark every arrival is looked at.
        fill = partial(self.sock.recv_into, self._buffer, RECEIVE_BYTES, socket.MSG_WAITALL)
        look = partial(self.sock.recv_into, self._buffer)
        total = 0
        before = clock()
        begun_ns = max(before, window.start_ns)
        gathering = Gathering(self.sock, begun_ns)
        read, change_ns = fill, begun_ns + _REVIEW_NS
        while True:
            if before >= change_ns:
                if read is fill:
                    gathering.review(before, total)
                close_ns = marks.next_ns - _CLOSE_NS
                if before < close_ns:
                    read, change_ns = fill, min(before + _REVIEW_NS, close_ns)
                else:
                    read, change_ns = look, before + _ON_TIME_NS
                    self._look_before_mark()
            try:
                got = read()
            except BlockingIOError:
                got = 0
            else:
                if not got:
                    return self._closed_early(marks, (before, total), window)
                self._last_got = got
            now = clock()
            total += got
            if now >= marks.next_ns:
                total = self._cross(marks, (before, total - got), total, window)
                if marks.complete:
                    gathering.end()
                    return total + self._rest(window.given_up_ns)
                now = change_ns = clock()
            before = now

    def _cross(self, marks: Marks, before: Tuple[int, int], total: int, window: Window) -> int:
        """A mark has gone by: take it, and whatever else went by meanwhile; the new total.

        `before` is an instant and the count read by then; `total` has been read by now.
        """
        if self.counted_by == "read":
            marks.cross(*before, time.monotonic_ns(), total)
            self.note_window(marks)
            return total
        now_ns, taken_in = self._look_at_count()
        self._ask_the_job(marks.next_ns)
        if self._curve.around(marks.next_ns)[1].at_ns - marks.next_ns > _ON_TIME_NS:
            total = self._read_backlog(before[0], total, taken_in, window)
        while marks.next_ns <= now_ns:
            mark_ns = marks.next_ns
            known, then = self._curve.around(mark_ns)
            marks.cross(known.at_ns, known.total, then.at_ns, then.total)
            self._curve.forget_before(mark_ns)
        self.note_window(marks)
        return total

    def _look_before_mark(self) -> None:
        """So that little is unknown of the time before a mark, should this process be late to it."""
        if self.counted_by == "kernel":
            self._look_at_count()

    def _look_at_count(self) -> Tuple[int, int]:
        """(now, what the kernel has taken in by now); of several looks the one that was least interrupted."""
        best: Optional[Tuple[int, int, int]] = None
        for _ in range(_LOOKS):
            begun_ns = time.monotonic_ns()
            taken_in = (tcp_info.taken_in_bytes(self.sock) or 0) - self._greeting
            took_ns = time.monotonic_ns() - begun_ns
            if best is None or took_ns < best[0]:
                best = (took_ns, begun_ns + took_ns // 2, taken_in)
            if took_ns < _ON_TIME_NS // 10:
                break
        assert best is not None, "there is at least one look"
        self._curve.add(*best[1:])
        return best[1:]

    def _ask_the_job(self, mark_ns: int) -> None:
        """Take over the counts that the job has noted since shortly before a mark."""
        assert self.counts is not None, "made where the kernel counts"
        for known in self.counts.since(mark_ns - _CLOSE_NS):
            self._curve.add(known.at_ns, known.total - self._greeting)

    def _read_backlog(self, read_ns: int, total: int, taken_in: int, window: Window) -> int:
        """Read what lies waiting, all of which had come by now, and learn from its receive times; the new total.

        The kernel joins segments, and what it has joined bears the last one's time: so a time says how much had come
        by then where the next piece bears another one. What it has moved together for want of room bears none.
        """
        self._stamps.refresh()
        piece = memoryview(self._buffer)[: self._piece_bytes(total, window)]
        latest = 0
        while total < taken_in:
            try:
                got, ancillary, _, _ = self.sock.recvmsg_into([piece], CONTROL_BYTES)
            except BlockingIOError:
                break
            if not got:
                break
            self._last_got = got
            stamp = stamp_of(ancillary)
            arrived = self._stamps.monotonic_ns(stamp, read_ns, time.monotonic_ns()) if stamp else latest
            if latest and arrived != latest:
                self._curve.add(latest, total)
            total += got
            latest = arrived
        return total

    def _piece_bytes(self, total: int, window: Window) -> int:
        """How much half a millisecond brings, so that a piece is short against the window and not many are needed."""
        seconds = (time.monotonic_ns() - window.start_ns) / 1e9
        return max(_LEAST_PIECE_BYTES, min(_LARGEST_PIECE_BYTES, int(total / max(seconds, 1e-3) / 2000)))

    def _closed_early(self, marks: Marks, last: Tuple[int, int], window: Window) -> int:
        """The other end has closed: in order, and we were late to read it, or in the middle of the traffic."""
        if self._last_octets() != self._ending:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        marks.cross(*last, max(last[0] + 1, window.to_ns), last[1])
        self.note_window(marks)
        return last[1]

    def _last_octets(self) -> bytes:
        return bytes(self._buffer[max(0, self._last_got - signs.SIGN_BYTES) : self._last_got])

    def _rest(self, until_ns: int) -> int:
        """After the window: count on until the sign that ends the stream, or the end of patience."""
        kept = self._last_octets()
        patience = Patience(until_ns)
        total = 0
        while kept != self._ending and patience.lasts(total):
            try:
                got = self.sock.recv_into(self._buffer)
            except BlockingIOError:
                continue
            except OSError:
                break
            if not got:
                break
            total += got
            self._last_got = got
            kept = (kept + self._last_octets())[-len(self._ending) :]
        self._end_seen = kept == self._ending
        return total

    def _close(self) -> None:
        if self.pair.serving:
            with contextlib.suppress(OSError):  # closed by the other end already
                self.sock.shutdown(socket.SHUT_WR)
