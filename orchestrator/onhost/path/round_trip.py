"""Round-trip time of the measured link, idle and under load: a small flow of probes beside the traffic (RFC 2681).

A probe is timed from its send call until the kernel stamps the answer's arrival; the time it lay at the answering end,
from that kernel's own stamp until the answer's send call, is told in the answer and taken off. What remains is path,
cards, interrupts with their coalescing, and both kernels: not how late two Python processes woke up. A probe without
an answer counts as infinitely long (RFC 2681 s2.4), so loss moves the percentiles up and not down.

Both ends are objects to be turned from a loop that has other work, and functions that run such a loop alone.
"""

from __future__ import annotations

import math
import select
import socket
import struct
import time
from typing import Dict, List, NamedTuple, Optional, Sequence, Tuple

from orchestrator.metrics.sample import Sample
from orchestrator.onhost.path.probe_frame import FrameCodec
from orchestrator.onhost.path.receipts import IdleAndLoaded, PeerArguments, RoundTrips
from orchestrator.onhost.system.device_socket import open_udp
from orchestrator.onhost.system.socket_options import SO_TIMESTAMPNS, queued_errors, stamp_arrivals

ASK, ANSWER = 1, 2
IDLE_EVERY_S = 0.005  # before the traffic there is little time, and nothing to disturb
LOADED_EVERY_S = 0.02  # 500 probes in ten seconds; a probe costs an end about 0.3 ms of a core
LATE_S = 2.0  # RFC 2544 s23 waits as long for late frames
_GIVEN_UP_NS = 30 * 10**9  # a probe that has been under way for so long is lost, whatever still comes
_LONGEST_DWELL_NS = 10 * 10**9
_AT_ONCE = 256  # datagrams read in one turn


class _Arrival(NamedTuple):
    """A frame, when it came in by CLOCK_REALTIME as the kernel stamped it (0 when it did not), and when it was read."""

    kind: int
    sequence: int
    nanoseconds: int
    stamped_ns: int
    read_monotonic_ns: int


class ProbingEnd:
    """What both ends share: the socket, and reading it without waiting."""

    def __init__(self, args: PeerArguments) -> None:
        """Opens the socket; Refusal where the interface, the address or the port cannot be had."""
        self._codec = FrameCodec(args["token"], "round trip")
        self._socket = open_udp(args["interface"], args["family"], args["local"], args["peer"], args["port"])
        stamp_arrivals(self._socket)
        self.transmitted = self.received = 0  # frames of this flow: they are ours on the interface's counters

    def fileno(self) -> int:
        """For a select() that waits for several things."""
        return self._socket.fileno()

    def close(self) -> None:
        """Give the socket back."""
        self._socket.close()

    def _send(self, kind: int, sequence: int, nanoseconds: int = 0) -> bool:
        queued_errors(self._socket)
        try:
            self._socket.send(self._codec.write(kind, sequence, nanoseconds=nanoseconds))
        except OSError:  # the own queue is full, or nobody listens yet: the probe is simply lost
            return False
        self.transmitted += 1
        return True

    def _arrivals(self) -> List[_Arrival]:
        queued_errors(self._socket)
        found: List[_Arrival] = []
        for _ in range(_AT_ONCE):  # a flood is read on in the next turn: the loop has other things to do
            try:
                payload, ancillary, _, _ = self._socket.recvmsg(256, 128)
            except OSError:
                break
            now_ns = time.monotonic_ns()
            frame = self._codec.read(payload)
            if frame is not None:
                self.received += 1
                found.append(_Arrival(frame.kind, frame.sequence, frame.nanoseconds, _stamp_ns(ancillary), now_ns))
        return found


def _stamp_ns(ancillary: Sequence[Tuple[int, int, bytes]]) -> int:
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
            seconds, nanoseconds = struct.unpack("@ll", data[: struct.calcsize("@ll")])
            return int(seconds) * 10**9 + int(nanoseconds)
    return 0


class Answering(ProbingEnd):
    """The end that answers what shows the token, and never sends first."""

    def turn(self) -> None:
        """Answer whatever has come."""
        for arrival in self._arrivals():
            if arrival.kind == ASK:
                dwell_ns = time.clock_gettime_ns(time.CLOCK_REALTIME) - arrival.stamped_ns
                believable = arrival.stamped_ns and 0 <= dwell_ns < _LONGEST_DWELL_NS  # unless the clock was set
                self._send(ANSWER, arrival.sequence, dwell_ns if believable else 0)


class _Probe(NamedTuple):
    sent_monotonic_ns: int
    sent_real_ns: int


class Asking(ProbingEnd):
    """The end that asks, at an even pace, and knows what came of every probe."""

    def __init__(self, args: PeerArguments, every_s: float = IDLE_EVERY_S) -> None:
        """Starts asking with the first `turn`."""
        super().__init__(args)
        self.every_s = every_s
        self.due_ns = time.monotonic_ns()
        self._sequence = 0
        self._idle_open: Dict[int, _Probe] = {}  # sent before the traffic and not answered: seconds of them
        self._open: Dict[int, _Probe] = {}
        self._answered: List[Tuple[int, float]] = []  # (when sent, round trip in seconds), before the traffic
        self._refused: List[int] = []  # when the own kernel would not take a probe, likewise
        self._load: Optional[_Load] = None  # those within the window, once it is known

    def begin(self, start_ns: int, from_ns: int, to_ns: int) -> None:
        """The traffic begins at `start_ns`: of probes from then on only those sent in [from_ns, to_ns) count."""
        self._load = _Load(start_ns, from_ns, to_ns)

    def _is_idle(self, sent_ns: int) -> bool:
        """Whether a probe was sent before the traffic."""
        return self._load is None or sent_ns < self._load.start_ns

    @property
    def heard_from_ns(self) -> int:
        """When the first probe that was answered was sent: before it the far end may not have been there yet."""
        return min((sent_ns for sent_ns, _ in self._answered), default=1 << 62)

    def turn(self) -> None:
        """Take in the answers that have come, and ask when it is time. What was missed is not made up for."""
        for arrival in self._arrivals():
            if arrival.kind != ANSWER:
                continue
            probe = self._open.pop(arrival.sequence, None) or self._idle_open.pop(arrival.sequence, None)
            if probe is not None:
                self._take_answer(probe.sent_monotonic_ns, _round_trip_s(probe, arrival))
        now_ns = time.monotonic_ns()
        if now_ns >= self.due_ns:
            self._ask(now_ns)
            every_ns = int(self.every_s * 1e9)
            self.due_ns += every_ns * (1 + (now_ns - self.due_ns) // every_ns)

    def _take_answer(self, sent_ns: int, seconds: float) -> None:
        if self._is_idle(sent_ns):
            self._answered.append((sent_ns, seconds))
        elif self._load is not None and self._load.covers(sent_ns):
            self._load.answered.add(seconds)

    def _ask(self, now_ns: int) -> None:
        self._sequence += 1
        under_way = self._idle_open if self._is_idle(now_ns) else self._open
        under_way[self._sequence] = _Probe(now_ns, time.clock_gettime_ns(time.CLOCK_REALTIME))
        if not self._send(ASK, self._sequence):
            del under_way[self._sequence]
            if self._is_idle(now_ns):
                self._refused.append(now_ns)
            elif self._load is not None and self._load.covers(now_ns):
                self._load.refused += 1
        self._give_up(now_ns)

    def _give_up(self, now_ns: int) -> None:
        """Count the probe that has been under way the longest as lost when that is too long: one for each sent."""
        oldest = next(iter(self._open), None)
        if oldest is not None and now_ns - self._open[oldest].sent_monotonic_ns >= _GIVEN_UP_NS:
            probe = self._open.pop(oldest)
            if self._load is not None and self._load.covers(probe.sent_monotonic_ns):
                self._load.lost += 1

    def summary(self, from_ns: int, to_ns: int) -> RoundTrips:
        """The probes sent in [from_ns, to_ns) of CLOCK_MONOTONIC; ask after the late ones have had their time."""
        answered = Sample()
        for sent_ns, seconds in self._answered:
            if from_ns <= sent_ns < to_ns:
                answered.add(seconds)
        return _told(answered, self._unanswered(from_ns, to_ns), sum(from_ns <= at < to_ns for at in self._refused))

    def loaded(self) -> RoundTrips:
        """The same of the probes sent in the window that `begin` told."""
        load = self._load
        assert load is not None
        return _told(load.answered, load.lost + self._unanswered(load.from_ns, load.to_ns), load.refused)

    def _unanswered(self, from_ns: int, to_ns: int) -> int:
        return sum(
            from_ns <= probe.sent_monotonic_ns < to_ns for probe in (*self._idle_open.values(), *self._open.values())
        )


class _Load:
    """What came of the probes of a window, however long it is."""

    def __init__(self, start_ns: int, from_ns: int, to_ns: int) -> None:
        self.start_ns, self.from_ns, self.to_ns = start_ns, from_ns, to_ns
        self.answered = Sample()
        self.lost = self.refused = 0

    def covers(self, sent_ns: int) -> bool:
        return self.from_ns <= sent_ns < self.to_ns


def _told(answered: Sample, lost: int, refused: int) -> RoundTrips:
    sent = answered.count + lost
    if not sent:
        return {"sent": 0, "lost": 0, "refused": refused}
    return {
        "sent": sent,
        "lost": lost,
        "refused": refused,
        "loss_ratio": lost / sent,
        "min_s": answered.min,
        "p50_s": _finite(answered.percentile(50, lost)),
        "p99_s": _finite(answered.percentile(99, lost)),
        "largest_s": answered.largest,
    }


def _round_trip_s(probe: _Probe, arrival: _Arrival) -> float:
    """By the kernel's stamp when it lies between sending and reading; else (a clock was set) by our own reading."""
    whole_ns = arrival.read_monotonic_ns - probe.sent_monotonic_ns
    stamped_ns = arrival.stamped_ns - probe.sent_real_ns
    taken_ns = stamped_ns if 0 < stamped_ns <= whole_ns else whole_ns
    return max(taken_ns - arrival.nanoseconds, 0) / 1e9


def _finite(seconds: float) -> Optional[float]:
    """A percentile that falls among the lost probes is infinite, and JSON has no such number."""
    return seconds if math.isfinite(seconds) else None


def answer(args: PeerArguments, until_ns: int) -> None:
    """Answer until an instant of CLOCK_MONOTONIC: the loop of a process that does nothing else."""
    end = Answering(args)
    try:
        while _wait(end, until_ns):
            end.turn()
    finally:
        end.close()


def ask(args: PeerArguments, start_ns: int, from_ns: int, to_ns: int) -> IdleAndLoaded:
    """Ask from now on: `idle` is what was sent before the traffic's start, `load` what was sent in its window."""
    end = Asking(args)
    end.begin(start_ns, from_ns, to_ns)
    try:
        while _wait(end, min(end.due_ns, to_ns)) or time.monotonic_ns() < to_ns:
            end.every_s = IDLE_EVERY_S if time.monotonic_ns() < start_ns else LOADED_EVERY_S
            end.turn()
        end.due_ns = to_ns + int(2 * LATE_S * 1e9)  # no more questions
        while end._open and _wait(end, to_ns + int(LATE_S * 1e9)):
            end.turn()
        return {"idle": end.summary(end.heard_from_ns, start_ns), "load": end.loaded()}
    finally:
        end.close()


def _wait(end: ProbingEnd, until_ns: int) -> bool:
    """Wait until the end can be read; False when `until_ns` has come first."""
    left_s = (until_ns - time.monotonic_ns()) / 1e9
    readable, _, _ = select.select([end], [], [], max(left_s, 0.0))
    return bool(readable) or left_s > 0
