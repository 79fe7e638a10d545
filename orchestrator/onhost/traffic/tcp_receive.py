"""The receiving half of one TCP stream: read into one buffer again and again, cut at the window's exact edges."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import time
from functools import partial
from typing import Any, Dict, Tuple

from orchestrator.onhost.socket_options import stamp_arrivals
from orchestrator.onhost.traffic import kernel, signs
from orchestrator.onhost.traffic.gathering import Gathering
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.patience import Patience
from orchestrator.onhost.traffic.stamps import CONTROL_BYTES, StampClock, stamp_of
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.window import Window

RECEIVE_BYTES = 256 * 1024
_LEAST_PIECE_BYTES, _LARGEST_PIECE_BYTES = 4096, 65536
_RECEIVE_WAIT_S = 0.02
_CLOSE_NS = 25_000_000  # a little more than a receive may wait
_REVIEW_NS = 10_000_000
_NEVER = 1 << 62


class TcpReceive(StreamProcess):
    """The receiving half."""

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

    def run(self, window: Window) -> Dict[str, Any]:
        """Read until the other end says that this was all."""
        marks = Marks(window.from_ns, window.to_ns)
        try:
            total = self._receive(marks, window)
        except (ConnectionResetError, BrokenPipeError) as error:
            raise self.lost(error) from error
        self._close()
        return {"received_bytes": total, "goodput_bytes": round(marks.window_count), "series": marks.series(),
                "process": self.process(), "softirq_core": self.softirq_core(), "end_seen": self._end_seen,
                "receive_buffer_bytes": self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)}

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
                gathering.review(before, total)
                close_ns = marks.next_ns - _CLOSE_NS
                read, change_ns = (fill, min(before + _REVIEW_NS, close_ns)) if before < close_ns else (look, _NEVER)
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
        """A mark has gone by: read on with receive times until what is read has arrived after it; the new total.

        `before` is an instant and the count read by then. When this process has not had to wait for a core, two short
        reads are enough. When it has, there is a backlog, and only its receive times say what belongs in front of the
        mark. The kernel joins segments, and what it has joined bears the last one's time: so a time says how much had
        come by then where the next piece bears another one.
        """
        self._stamps.refresh()
        piece = memoryview(self._buffer)[:self._piece_bytes(total, window)]
        mark_ns, latest = marks.next_ns, 0
        while True:
            try:
                got, ancillary, _, _ = self.sock.recvmsg_into([piece], CONTROL_BYTES)
            except BlockingIOError:  # nothing for a while: all that has arrived has been read
                marks.cross(*before, time.monotonic_ns(), total)
                break
            if not got:
                return self._closed_early(marks, before, window)
            self._last_got = got
            arrived = self._stamps.monotonic_ns(stamp_of(ancillary), before[0], time.monotonic_ns())
            if arrived != latest >= mark_ns:
                marks.cross(*before, latest, total)
                total += got
                break
            if latest and arrived != latest:
                before = (latest, total)
            total += got
            latest = arrived
        self.note_window(marks)
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
        return bytes(self._buffer[max(0, self._last_got - signs.SIGN_BYTES):self._last_got])

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
            kept = (kept + self._last_octets())[-len(self._ending):]
        self._end_seen = kept == self._ending
        return total

    def _close(self) -> None:
        if self.pair.serving:
            with contextlib.suppress(OSError):  # closed by the other end already
                self.sock.shutdown(socket.SHUT_WR)
