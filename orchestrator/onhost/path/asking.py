"""The asking end of a path proof: what is sent when, and what may be concluded from what comes back.

Acknowledgements on the line steer the search and prove nothing: the verdict rests on both ends' receipts.
"""

from __future__ import annotations

import time
from typing import Dict, List, Set, Tuple

from orchestrator.onhost.path.line import ASK, BACK, BIG, BYE, CANNOT, DONE, GOT, HELLO, WELCOME, Line
from orchestrator.onhost.path.probe_frame import Frame
from orchestrator.onhost.service.talk import Talk

FULL_PROBES = 5  # RFC 8899 s5.1.2 gives up after 3; one in ten lost five times is 1e-5
PROBE_SPACING_S = 0.015
LADDER_SPACING_S = 0.001
LADDER_STEPS = 16  # sizes tried at once: 9000 octets are narrowed to one in four rounds
SLOW_ROUND_TRIP_S = 0.05  # behind a large frame: then the port is slow, and a ladder would overrun its queue
BEHIND_TIMEOUT_S = 5.0  # how long small frames may stay out before the path is called silent instead
GRACE_S = 0.03  # a large frame may be overtaken by the small one behind it on a multi-queue card
MAX_ROUNDS = 24  # a search by halves over 65535 sizes takes 16
REFUSED_AFTER_S = 2.0  # the other end may still be opening its socket, which also reads as a refusal


class Way:
    """What is known about the sizes of one direction."""

    def __init__(self, small_bytes: int, mtu: int) -> None:
        self._mtu = mtu
        self._small_bytes = small_bytes
        self.tried: Dict[int, int] = {}
        self.passed: Dict[int, int] = {}
        self.ruled_out: Set[int] = set()  # by the end's own interface: no frame ever left

    @property
    def low(self) -> int:
        """The largest size known to pass."""
        return max(self.passed, default=self._small_bytes)

    @property
    def high(self) -> int:
        """The smallest size above `low` that has had its chances in vain."""
        return min((size for size in self.tried if size > self.low and self._exhausted(size)), default=self._mtu)

    def _exhausted(self, size: int) -> bool:
        return size in self.ruled_out or self.tried[size] >= FULL_PROBES

    @property
    def settled(self) -> bool:
        """Nothing left to find out."""
        return self.low >= self._mtu or self.high - self.low <= 1

    def ladder(self, steps: int) -> List[int]:
        """Sizes to try next, evenly spaced between what passes and what does not."""
        if self.settled:
            return []
        width = self.high - self.low
        return sorted({self.low + max(1, width * step // steps) for step in range(1, steps)})

    def to_repeat(self, sizes: List[int]) -> List[int]:
        """Of the sizes tried, the two just above the boundary: only their loss could make the answer too small."""
        above = [size for size in sizes if size > self.low]
        return [size for size in above[:2] if not self._exhausted(size)]


class Asking:
    """The asking end. Everything sent has its own sequence number, and an answer counts once."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._sequence = 0
        self._open: Dict[int, Tuple[int, int]] = {}  # sequence -> (kind, size) still without an answer
        self.out = Way(line.small_bytes, line.mtu)
        self.back = Way(line.small_bytes, line.mtu)
        self.helloed = 0
        self.welcomed = 0
        self.behind_full = 0  # small frames answered that were sent after the last frame of the full size
        self._bye = False
        self._last_welcome = 0  # sequence of the latest small frame that was answered
        self._steps = LADDER_STEPS

    # --- frames in and out ---

    def _send(self, kind: int, size_bytes: int = 0) -> bool:
        self._sequence += 1
        packet_bytes = size_bytes if kind == BIG else 0
        sent = self._line.send(kind, self._sequence, size_bytes=size_bytes, packet_bytes=packet_bytes)
        if sent:
            self._open[self._sequence] = (kind, size_bytes)
        return sent

    def _hello(self) -> None:
        self.helloed += 1
        self._send(HELLO)

    def _listen(self, timeout_s: float) -> None:
        """Take in what arrives for `timeout_s` seconds."""
        end_s = time.monotonic() + timeout_s
        while True:
            frame = self._line.receive(max(end_s - time.monotonic(), 0.0))
            if frame is not None:
                self._take(frame)
            if time.monotonic() >= end_s:
                return

    def _take(self, frame: Frame) -> None:
        kind, size = self._open.get(frame.sequence, (0, 0))
        if frame.kind == WELCOME and kind == HELLO:
            self.welcomed += 1
            self._last_welcome = max(self._last_welcome, frame.sequence)
        elif frame.kind == GOT and kind == BIG:
            self.out.passed[size] = self.out.passed.get(size, 0) + 1
        elif frame.kind == BACK and kind == ASK and self._line.packet_bytes(frame) == size:
            self.back.passed[size] = self.back.passed.get(size, 0) + 1
        elif frame.kind == CANNOT and kind == ASK:
            self.back.ruled_out.add(size)
        elif frame.kind == BYE and kind == DONE:
            self._bye = True
        else:
            return
        del self._open[frame.sequence]

    def _try_out(self, size: int) -> None:
        if self._send(BIG, size):
            self.out.tried[size] = self.out.tried.get(size, 0) + 1
        elif size in self._line.too_long_here:
            self.out.tried[size] = self.out.tried.get(size, 0) + 1
            self.out.ruled_out.add(size)

    def _try_back(self, size: int) -> None:
        if self._send(ASK, size):
            # The request itself may be lost. The same number again is answered once, so it costs only its octets.
            self._line.send(ASK, self._sequence, size_bytes=size)
            self.back.tried[size] = self.back.tried.get(size, 0) + 1

    # --- the three steps ---

    def wait_for_small(self, talk: Talk, patience_s: float) -> bool:
        """Whether a small frame went out and came back; says once a second that it is still waited for."""
        began_s = time.monotonic()
        said_s = began_s
        while True:
            self._hello()
            now_s = time.monotonic()
            self._listen_for_welcome(0.02 if now_s - began_s < 1.0 else 0.1)
            waited_s = time.monotonic() - began_s
            if self.welcomed:
                return True
            if waited_s >= patience_s or (self._line.refusals >= 5 and waited_s >= REFUSED_AFTER_S):
                return False
            if time.monotonic() - said_s >= 1.0:
                said_s = time.monotonic()
                text = "refused so far" if self._line.refusals else "port not forwarding yet"
                talk.event({"stage": "waiting", "say": f"{text} ({waited_s:.0f} s)", "waited_s": round(waited_s, 1)})

    def _listen_for_welcome(self, timeout_s: float) -> None:
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s and not self.welcomed:
            self._listen(0.001)

    def prove(self) -> None:
        """Frames of the MTU both ways; where they are stopped, the largest size that passes."""
        mtu = self._line.mtu
        passing = self._round([mtu], [mtu])
        for _ in range(MAX_ROUNDS):
            if not passing or (self.out.settled and self.back.settled):
                return
            passing = self._round(self.out.ladder(self._steps), self.back.ladder(self._steps), full_again=True)

    def _round(self, out: List[int], back: List[int], full_again: bool = False) -> bool:
        """Try sizes both ways, then small frames behind them. False when the path fell silent."""
        if full_again:
            out, back = self._with_full(out, self.out), self._with_full(back, self.back)
        self._try_sizes(out, back)
        repeats = 1
        while repeats < 2 * FULL_PROBES:
            more_out, more_back = self.out.to_repeat(out), self.back.to_repeat(back)
            if not more_out and not more_back:
                break
            self._listen_until_passed(PROBE_SPACING_S, more_out, more_back)
            self._try_sizes(self.out.to_repeat(out), self.back.to_repeat(back))
            repeats += 1
        if self._all_passed(out, back):
            return True
        return self._small_behind()

    def _with_full(self, sizes: List[int], way: Way) -> List[int]:
        """One more chance for the full size in every round of the search: each makes a false "stopped" less likely."""
        return [*sizes, self._line.mtu] if sizes and way.low < self._line.mtu else sizes

    def _try_sizes(self, out: List[int], back: List[int]) -> None:
        for index in range(max(len(out), len(back))):
            if index < len(out):
                self._try_out(out[index])
            if index < len(back):
                self._try_back(back[index])
            self._listen(LADDER_SPACING_S)

    def _all_passed(self, out: List[int], back: List[int]) -> bool:
        return all(size in self.out.passed for size in out) and all(size in self.back.passed for size in back)

    def _listen_until_passed(self, timeout_s: float, out: List[int], back: List[int]) -> None:
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s and not self._all_passed(out, back):
            self._listen(0.001)

    def _small_behind(self) -> bool:
        """Whether a small frame sent behind the large ones came back: what has not arrived by then was stopped."""
        first = self._sequence + 1
        began_s = time.monotonic()
        while self._last_welcome < first:
            self._hello()
            self._listen(0.01)
            if time.monotonic() - began_s > BEHIND_TIMEOUT_S:
                return False
        self.behind_full += 1
        if time.monotonic() - began_s > SLOW_ROUND_TRIP_S:
            self._steps = 2
        self._listen(GRACE_S)
        return True

    def finish(self) -> None:
        """Tell the answering end that it may return its receipts; it also stops by itself."""
        for _ in range(10):
            self._send(DONE)
            end_s = time.monotonic() + 0.05
            while time.monotonic() < end_s and not self._bye:
                self._listen(0.002)
            if self._bye:
                return
