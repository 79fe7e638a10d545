"""The sending half of one UDP stream: numbered, timed, paced, and honest about what the own queue refused."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
from typing import Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.device_socket import ip_and_udp_bytes
from orchestrator.onhost.system.socket_options import queued_errors
from orchestrator.onhost.traffic import kernel, signs, udp_paths
from orchestrator.onhost.traffic.datagrams import AFTER, PHASE_SPAN, PHASES, WARM_UP, WINDOW
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.pacing import Pacer, burst_size
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.window import Window, sleep_until
from orchestrator.wire import wire_bytes

END_SIGNS = 5
_END_SPACING_S = 0.004
_ROOM_WAIT_MS = 20
_REFUSED_PAUSE_S = 50e-6
_NOBODY_REPORTS, _NOBODY_BOUND_NS = 3, 500_000_000  # so many "port unreachable" over so long: the other end has died
_HOUSEKEEPING_NS = 1_000_000_000


class UdpSend(StreamProcess):
    """Sends on a connected, non-blocking socket with the error queue on."""

    def prepare(self) -> None:
        """Choose the burst and prove the way of sending by a real send."""
        kernel.set_timer_slack(1)
        flow = self.stream.flow
        self._path = udp_paths.choose_send_path(self.sock, flow.datagram_bytes, self.plan_bursts(), flow.send_path)
        self._burst = self._path.count
        if self._path.hides_errors:  # such a call waits for room itself, so that nothing but an error cuts it short
            self.sock.setblocking(True)
            kernel.set_timeout(self.sock, socket.SO_SNDTIMEO, _ROOM_WAIT_MS / 1000)
        self._room = select.poll()
        self._room.register(self.sock, select.POLLOUT)
        self._first = signs.first_number(self.pair.token, self.stream.number)
        self._accepted = [0] * PHASES
        self._refused = 0
        self._unreachable = 0
        self._nobody_since_ns = 0

    def plan_bursts(self) -> int:
        """How many datagrams to send at once."""
        flow, asked = self.stream.flow, self.stream.flow.stream_bit_s
        self._wire_bytes = wire_bytes(flow.datagram_bytes + ip_and_udp_bytes(self.pair.family))
        self._frames_s = asked / 8 / flow.datagram_bytes if asked else None
        self._burst = flow.burst_datagrams or self._free_burst()
        return self._burst

    def _free_burst(self) -> int:
        """Where the plan asks for none: full sends, which cost the least."""
        most, in_one = (
            burst_size(self._wire_bytes, self.pair.rate_bit_s, self._frames_s),
            udp_paths.segment_limit(self.stream.flow.datagram_bytes),
        )
        return most // in_one * in_one if most > in_one and self.stream.flow.send_path != udp_paths.BATCH else most

    def first_burst_ns(self, start_ns: int) -> int:
        """When this stream sends first: in turn, or the bursts of all of them would fall together and be one."""
        if self._frames_s is None:
            return start_ns
        streams = self.stream.flow.streams
        return start_ns + round(1e9 * self._burst / self._frames_s * (self.stream.number % streams) / streams)

    def run(self, window: Window) -> StreamResult:
        """Send from the start until after the window's end, then say how much there was."""
        marks = Marks(window.from_ns, window.to_ns)
        sleep_until(window.start_ns)
        pacer = self._pacer(window.start_ns)
        self._send(window, marks, pacer)
        signs_sent = self._say_end()
        size = self.stream.flow.datagram_bytes
        sent = sum(self._accepted)
        return {
            "sent_bytes": sent * size,
            "window_sent_bytes": round(marks.window_count * size),
            "datagrams_sent": sent,
            "window_datagrams_sent": self._accepted[WINDOW],
            "datagrams_by_phase": self._accepted,
            "datagrams_refused": self._refused,
            "unreachable_reports": self._unreachable,
            "signs_sent": signs_sent,
            "signs_sent_bytes": signs_sent * PHASES * signs.SIGN_BYTES,
            "send_path": self._path.name,
            "burst_datagrams": self._path.count,
            "send_buffer_bytes": self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF),
            "pacing_late_p99_s": pacer.late_p99_s() if pacer else None,
            "process": self.process(),
        }

    def _pacer(self, start_ns: int) -> Optional[Pacer]:
        if self._frames_s is None:
            return None
        count = self._path.count
        line_ns = 8e9 * self._wire_bytes * count / self.pair.rate_bit_s if self.pair.rate_bit_s else 0.0
        return Pacer(self.first_burst_ns(start_ns), 1e9 * count / self._frames_s, line_ns)

    def _send(self, window: Window, marks: Marks, pacer: Optional[Pacer]) -> None:
        path, clock = self._path, time.monotonic_ns
        write, send, count = path.writer.write, path.send, path.count
        phase, phase_end_ns = WARM_UP, window.from_ns
        number = self._first
        total = 0
        before = clock()
        next_housekeeping_ns = before + _HOUSEKEEPING_NS
        while True:
            now = pacer.wait() if pacer else clock()
            if now >= phase_end_ns:
                self._accepted[phase] = number - self._first - phase * PHASE_SPAN
                if phase == AFTER:
                    return
                phase += 1
                phase_end_ns = window.to_ns if phase == WINDOW else window.stop_ns
                number = self._first + phase * PHASE_SPAN
            if now >= marks.next_ns:
                marks.cross(before, total, now, total)
                self.note_window(marks)
            if now >= next_housekeeping_ns:
                next_housekeeping_ns = now + _HOUSEKEEPING_NS
                self._empty_inbox()
            write(number, count, now)
            taken = send(0, count)
            if taken != count:
                taken = self._rest(taken, count, now, window.stop_ns)
            number += taken
            total += taken
            before = now

    def _rest(self, taken: int, count: int, began_ns: int, until_ns: int) -> int:
        """Wait for room and hand over what is left of a batch; how many of it were accepted in all.

        `taken` is what a send took that began at `began_ns`.
        """
        done = 0
        while True:
            error = -min(taken, 0)
            if taken > 0:
                done += taken
                if done == count:
                    return done
                error = self._hidden_error(began_ns)
            elif not taken:
                self._wait_for_room()
            if error and not self._may_go_on(error, count - done):
                return done
            began_ns = time.monotonic_ns()
            if began_ns >= until_ns:
                return done
            taken = self._path.send(done, count - done)

    def _hidden_error(self, began_ns: int) -> int:
        """What stopped a send of several messages behind the first of them; 0 when it only found no room for long.

        What somebody on the way answered is on the error queue; what the own queue dropped is nowhere else.
        """
        if not self._path.hides_errors or time.monotonic_ns() - began_ns >= 1_000_000 * _ROOM_WAIT_MS:
            return 0
        told = queued_errors(self.sock)
        return told[-1].errno if told else errno.ENOBUFS

    def _wait_for_room(self) -> None:
        for _, event in self._room.poll(_ROOM_WAIT_MS):
            if event & select.POLLERR:
                queued_errors(self.sock)

    def _may_go_on(self, error: int, count: int) -> bool:
        """Take note of a send that failed; True when the same datagrams may be tried again at once."""
        queued_errors(self.sock)
        if error == errno.ENOBUFS:  # the own queue dropped them: they keep their numbers, which others will carry
            self._refused += self._path.refused(count)
            time.sleep(_REFUSED_PAUSE_S)
            return False
        if error == errno.ECONNREFUSED:  # news about an earlier datagram; this one was not looked at
            self._unreachable += 1
            now = time.monotonic_ns()
            self._nobody_since_ns = self._nobody_since_ns or now
            if self._unreachable >= _NOBODY_REPORTS and now - self._nobody_since_ns > _NOBODY_BOUND_NS:
                raise self.lost(OSError(error, "port unreachable"))
            return True
        raise Refusal(
            "send_failed",
            f"a datagram of {self.stream.flow.datagram_bytes} bytes could not be sent: {os.strerror(error)}",
            errno=error,
            stream=self.stream.number,
        )

    def _empty_inbox(self) -> None:
        """The receiver sends a small frame every second, so that switches know where it is; nobody needs them here."""
        queued_errors(self.sock)
        with contextlib.suppress(OSError):
            while self.sock.recv(2048, socket.MSG_DONTWAIT):
                pass

    def _say_end(self) -> int:
        """Tell the receiver how many there were in each phase, more than once: these frames may be lost too.

        How many frames that took.
        """
        self._path.finish()
        said = 0
        for _ in range(END_SIGNS):
            with contextlib.suppress(OSError):
                self.sock.send(signs.end_of_datagrams(self.codec, self._accepted))
                said += 1
            time.sleep(_END_SPACING_S)
        return said
