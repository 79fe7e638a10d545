"""The sending half of one TCP stream: large sends, or pages that are lent to the kernel instead of being copied."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from functools import partial
from typing import Callable, Optional

from orchestrator.onhost.traffic import kernel, signs, zero_copy
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.patience import Patience
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.window import Window, sleep_until

SEND_BYTES = 256 * 1024
_SEND_WAIT_S = 0.1


class TcpSend(StreamProcess):
    """The sending half."""

    def prepare(self) -> None:
        """Fill the buffer: random octets, which nothing on the way can compress."""
        self.sock.setblocking(True)
        kernel.set_timeout(self.sock, socket.SO_SNDTIMEO, _SEND_WAIT_S)
        kernel.set_timeout(self.sock, socket.SO_RCVTIMEO, _SEND_WAIT_S)
        payload = os.urandom(SEND_BYTES)
        self._push: Callable[[], int] = partial(self.sock.send, memoryview(payload))
        if self.stream.flow.zero_copy:
            self._push = zero_copy.push(self.sock, payload)

    def run(self, window: Window) -> StreamResult:
        """Send from the start until after the window's end, then see that everything has arrived."""
        marks = self.marks(window)
        sleep_until(window.start_ns)
        try:
            total = self._send(marks, window.stop_ns)
        except (BrokenPipeError, ConnectionResetError) as error:
            raise self.lost(error) from error
        return {
            "sent_bytes": total + self._finish(window.given_up_ns),
            "window_sent_bytes": round(marks.window_count),
            "process": self.process(),
            "congestion": self._congestion(),
            "send_buffer_bytes": self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF),
        }

    def _congestion(self) -> Optional[str]:
        return kernel.congestion_of(self.sock)

    def _send(self, marks: Marks, stop_ns: int) -> int:
        push, clock = self._push, time.monotonic_ns
        total = 0
        before = clock()
        event_ns = min(marks.next_ns, stop_ns)
        while True:
            try:
                sent = push()
            except BlockingIOError:
                sent = 0
            now = clock()
            total += sent
            if now >= event_ns:
                marks.cross(before, total - sent, now, total)
                self.note_window(marks)
                if now >= stop_ns:
                    return total
                event_ns = min(marks.next_ns, stop_ns)
            before = now

    def _finish(self, until_ns: int) -> int:
        """End the stream and wait until the other end has read it all; how many octets that took.

        The serving end always closes first: who does keeps the pair of ports for a minute, and only the dialling end
        would be hindered by that in the next trial.
        """
        kernel.set_pacing(self.sock, None)  # what is still queued is not part of the measurement
        ending = memoryview(self.codec.write(signs.END, self.stream.number))
        patience = Patience(until_ns)
        done = 0
        try:
            while done < len(ending) and patience.lasts(self._waiting_bytes()):
                with contextlib.suppress(BlockingIOError):
                    done += self.sock.send(ending[done:])
            if self.pair.serving:
                self.sock.shutdown(socket.SHUT_WR)
            while patience.lasts(self._waiting_bytes()):
                with contextlib.suppress(BlockingIOError):
                    if not self.sock.recv(4096):
                        break
        except OSError:
            pass  # reset by an end that is done: the same as closed
        return done

    def _waiting_bytes(self) -> int:
        """What the other end's kernel has not acknowledged yet."""
        return kernel.unacknowledged_bytes(self.sock)
