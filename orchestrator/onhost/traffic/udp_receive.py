"""The receiving half of one UDP stream: every sequence number read, inside coalesced blocks too."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import time
from typing import Dict, List, Optional, Tuple

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.socket_options import SO_TIMESTAMPNS, stamp_arrivals
from orchestrator.onhost.traffic import kernel, message_vector, signs
from orchestrator.onhost.traffic.arrivals import Arrivals
from orchestrator.onhost.traffic.datagrams import PHASES, WINDOW, BatchReader, line_for
from orchestrator.onhost.traffic.marks import Marks
from orchestrator.onhost.traffic.message_vector import MessageVector, OneMessage
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.sequence import Sequence
from orchestrator.onhost.traffic.stamps import CONTROL_BYTES, ReceiveTimes, StampClock
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.window import Window

COALESCE, BATCH, SINGLE = "coalesce", "batch", "single"
_MESSAGES = {COALESCE: 32, BATCH: 64, SINGLE: 1}
_LARGEST_BLOCK_BYTES = 65536
# Buffers at a distance of a power of two would all fall into the same few places of the processor's caches.
_STAGGER_BYTES = 192
_WAIT_S = 0.02
_ALIVE_EVERY_NS = 1_000_000_000


class UdpReceive(StreamProcess):
    """Receives on a connected, blocking socket with a receive time-out."""

    def prepare(self) -> None:
        """Choose the way of receiving and lay out its buffers."""
        self._size = self.stream.flow.datagram_bytes
        self._set_up_socket()
        self.path = self._choose_path()
        self._sequence = Sequence(signs.first_number(self.pair.token, self.stream.number))
        block = _LARGEST_BLOCK_BYTES if self.path == COALESCE else max(self._size + 1, 256)
        self._distance = (block + _STAGGER_BYTES + 7) // 8 * 8
        self._most = _MESSAGES[self.path]
        # written to, so that no page is new during the traffic
        self._data = bytearray(b"\1") * (self._distance * self._most)
        self._vector = (
            MessageVector(self._data, self._most, self._distance, block, CONTROL_BYTES)
            if self.path != SINGLE
            else OneMessage(self.sock, self._data, CONTROL_BYTES)
        )
        self._receive_times = ReceiveTimes(self._vector.control)
        self._stamps = StampClock()
        self._stamped = False  # whether the batch in hand has receive times
        self._heads = BatchReader(self._data, 0, self._distance, self._most)  # of one datagram per message
        self._line = line_for(self._distance)
        most_in_one = max(1, block // self._size)
        self._block_heads = [
            BatchReader(self._data, place * self._distance, self._size, most_in_one) for place in range(self._most)
        ]
        self._block_line = self._line if self._size % 8 == 0 else line_for(self._size)
        self._all_plain = [[self._size] * count for count in range(self._most + 1)]
        self._arrivals = Arrivals()
        self._ends: Dict[int, int] = {}
        self._signs_sent = 0
        self._blocks = self._blocked = 0  # messages of several datagrams, and what was in them
        self._odd = self._taken_for_ours = 0  # of no stream's size; signs of the end as long as datagrams

    def _set_up_socket(self) -> None:
        self.sock.setblocking(True)
        kernel.set_timeout(self.sock, socket.SO_RCVTIMEO, _WAIT_S)
        stamp_arrivals(self.sock)

    def _choose_path(self) -> str:
        """The best way this kernel offers, or the forced one. Refusal when that one is not offered."""
        forced = self.stream.flow.receive_path
        batches = message_vector.is_offered("recvmmsg")
        if forced in (COALESCE, BATCH) and not batches:
            raise Refusal("receive_path", "this host offers no receiving of several datagrams at once")
        if forced in (None, COALESCE) and batches:
            try:
                kernel.coalesce_datagrams(self.sock)
                return COALESCE
            except OSError as error:
                if forced:
                    raise Refusal(
                        "receive_path", "this kernel does not coalesce datagrams for a socket", errno=error.errno
                    ) from error
        return BATCH if batches and forced != SINGLE else SINGLE

    def run(self, window: Window) -> StreamResult:
        """Receive from the start until the sender has said its end and all of it is here, or patience ends."""
        marks = self.marks(window, self._size)
        drops_before = kernel.socket_drops(self.sock)
        self._receive(marks, window)
        sequence, window_phase = self._sequence, self._sequence.phases[WINDOW]
        unique = sequence.total("unique")
        coalesced_mean = self._blocked / self._blocks if self._blocks else None
        result: StreamResult = {
            "received_bytes": unique * self._size,
            "goodput_bytes": round(marks.window_count * self._size),
            "counted_by": "read" if SO_TIMESTAMPNS is None else "arrival",
            "edge_error_bytes": round(marks.edge_error * self._size),
            "datagrams_received": unique,
            "datagrams_duplicate": sequence.total("duplicate"),
            "datagrams_reordered": sequence.total("reordered"),
            "datagrams_foreign": sequence.foreign - self._taken_for_ours + self._odd,
            "window_datagrams_received": window_phase.unique,
            "window_datagrams_duplicate": window_phase.duplicate,
            "window_datagrams_reordered": window_phase.reordered,
            "highest_sequence": sequence.highest(WINDOW),
            "end_seen": bool(self._ends),
            "socket_drops": _increase(drops_before, kernel.socket_drops(self.sock)),
            "receive_path": self.path,
            "coalesced_mean": coalesced_mean,
            "receive_buffer_bytes": self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF),
            "signs_sent": self._signs_sent,
            "signs_sent_bytes": self._signs_sent * signs.SIGN_BYTES,
            "process": self.process(),
            "softirq_core": self.softirq_core(),
        }
        result.update(self._arrivals.summary(coalesced_mean))
        return result

    def _receive(self, marks: Marks, window: Window) -> None:
        """Take in everything until it is over; a mark goes by when something that arrived after it has been read."""
        clock, stamps = time.monotonic_ns, self._stamps
        receive, descriptor, most = self._vector.receive, self.sock.fileno(), self._most
        lengths_of, last_stamp = self._vector.lengths, self._receive_times.last_ns
        plain, take = self._all_plain, self._take
        total = 0
        before = now = next_alive_ns = window.start_ns
        while True:
            asked_ns = now
            got = receive(descriptor, most)
            now = arrived = clock()
            fresh = 0
            if got > 0:
                stamp = last_stamp(got)
                self._stamped = stamp != 0
                arrived = stamps.monotonic_ns(stamp, before, now)
                lengths = lengths_of(got)
                fresh = self._take_plain(got) if lengths == plain[got] else take(lengths)
                total += fresh
            else:
                # Nothing had come when it was asked for; since then a process that was stopped has seen nothing.
                arrived = max(before, asked_ns)
                self._check(-got, now, window)
            if arrived >= marks.next_ns:
                self._cross(marks, (before, total - fresh), (arrived, total), got)
                self.note_window(marks)
                self._note_interval(marks)
                stamps.refresh()
            if next_alive_ns <= now < window.to_ns:
                next_alive_ns = now + _ALIVE_EVERY_NS
                self._show_alive()
            if marks.complete and self._is_over(arrived, now, window):
                return
            before = arrived

    def _cross(self, marks: Marks, before: Tuple[int, float], after: Tuple[int, float], messages: int) -> None:
        """Take the marks that went by while these messages came in; each but the last has a receive time of its own.

        What was new among them is taken as spread over all their octets.
        """
        if messages > 1 and self._stamped:
            begun, total = before[1], after[1]
            lengths = self._vector.lengths(messages)
            times = self._receive_times.read_ns(messages)
            so_far, whole = 0, sum(lengths)
            for length, stamp in zip(lengths[:-1], times):
                so_far += length
                here = (self._stamps.monotonic_ns(stamp, before[0], after[0]), begun + so_far * (total - begun) / whole)
                if here[0] >= marks.next_ns:
                    marks.cross(*before, *here)
                before = here
        marks.cross(*before, *after)

    def _take_plain(self, count: int) -> int:
        """Messages of one datagram each."""
        sequence = self._sequence
        foreign, fresh = sequence.foreign, count
        if self._heads.are(self._line, self._line.index(sequence.expected), count):
            sequence.run(count)
        else:
            fresh = sequence.take(self._heads.numbers(count))
        if sequence.foreign != foreign:
            self._look_for_signs([self._size] * count)
        elif self._arrivals.room > 0 and self._stamped:
            self._arrivals.note(self._heads.times_ns(count), self._receive_times.read_ns(count))
        return fresh

    def _take(self, lengths: List[int]) -> int:
        """Messages of any length: blocks of several datagrams, and what is none of ours."""
        size, sequence, line = self._size, self._sequence, self._block_line
        foreign, fresh, odd = sequence.foreign, 0, False
        at, run = line.index(sequence.expected), 0  # the numbers of `run` datagrams have been as expected
        for length, heads in zip(lengths, self._block_heads):
            count = length // size
            if not count:  # what lies in the buffer is an earlier datagram's, above all where this one is empty
                odd = True
                continue
            if count * size != length:
                odd = True
            if heads.are(line, at + run, count):
                run += count
                continue
            sequence.run(run)
            fresh += run + sequence.take(heads.numbers(count))
            at, run = line.index(sequence.expected), 0
        sequence.run(run)
        fresh += run
        self._blocks += len(lengths)
        self._blocked += sum(lengths) // size
        if odd or sequence.foreign != foreign:
            self._look_for_signs(lengths)
        elif self._arrivals.room > 0 and self._stamped:
            firsts = tuple(heads.times_ns(1)[0] for _, heads in zip(lengths, self._block_heads))
            self._arrivals.note(firsts, self._receive_times.read_ns(len(lengths)))
        return fresh

    def _look_for_signs(self, lengths: List[int]) -> None:
        """The sender's end may be a message of its own, or the tail of a coalesced block."""
        for place, length in enumerate(lengths):
            start, tail = place * self._distance, length % self._size
            whole = bytes(self._data[start : start + length])
            ends = signs.read_end(self.codec, whole)
            self._ends.update(ends)
            if ends and not tail:
                self._taken_for_ours += length // self._size
            elif tail and tail != length:
                last = whole[length - tail :]
                self._ends.update(signs.read_end(self.codec, last))
                self._odd += self.codec.read(last) is None
            elif not ends and (tail or not length):
                self._odd += self.codec.read(whole) is None

    def _note_interval(self, marks: Marks) -> None:
        if marks.complete:
            self._arrivals.close_window()
        elif marks.passed == 1:
            self._arrivals.open_window(marks.intervals)
        else:
            self._arrivals.next_interval()

    def _check(self, error: int, now: int, window: Window) -> None:
        """A receive that brought nothing: only time passed, or the sender is gone (in order, after the window)."""
        if error in (errno.EAGAIN, errno.EINTR) or (error == errno.ECONNREFUSED and now >= window.to_ns):
            return
        if error == errno.ECONNREFUSED:  # nobody has the port any more that our sign of life went to
            raise self.lost(OSError(error, "port unreachable"))
        raise Refusal(
            "receive_failed",
            f"datagrams cannot be received: {os.strerror(error)}",
            errno=error,
            stream=self.stream.number,
        )

    def _is_over(self, arrived: int, now: int, window: Window) -> bool:
        """All that the sender has sent is here, or what is missing is too late: judged by arrival, not by reading."""
        if arrived >= window.drained_ns or now >= window.given_up_ns:
            return True
        if len(self._ends) < PHASES:
            return False
        received = self._sequence.unique_by_phase()
        return all(received[phase] >= sent for phase, sent in self._ends.items())

    def _show_alive(self) -> None:
        """One small frame a second, so that switches between the ends do not forget where this end is."""
        with contextlib.suppress(OSError):
            self.sock.send(self.codec.write(signs.ALIVE, self.stream.number))
            self._signs_sent += 1


def _increase(before: Optional[int], after: Optional[int]) -> Optional[int]:
    """What was added; None where it is not counted."""
    return None if before is None or after is None else after - before
