"""Path proof: evidence that frames of exactly the MTU pass, each direction judged alone.

A small frame must pass first, however long that takes (a switch port with spanning tree shows carrier and forwards
nothing for half a minute): without it nothing may be said about large frames. Then frames of the MTU with
don't-fragment set go out, and are asked for back, spaced so that one burst of loss cannot take them all. A size counts
as stopped only when no frame of it arrived although small frames sent *behind* it did: a slow port delays both, a
hole stops one. What each end received is its own job's result and returns over the control connection;
`decide.path.path_verdict` lays the two together. The frames' acknowledgements on the line only steer the search.
"""

from __future__ import annotations

import time
from typing import Dict, List, Optional, Set

from orchestrator.onhost.path.asking import Asking
from orchestrator.onhost.path.line import ASK, BACK, BIG, BYE, CANNOT, DONE, GOT, HELLO, WELCOME, Line
from orchestrator.onhost.path.probe_frame import Frame
from orchestrator.onhost.path.receipts import AnswerReceipt, PathArguments, ProbeReceipt
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.system.device_socket import learned_mtu_bytes

IDLE_TIMEOUT_S = 8.0  # the answering end gives up after so long without a frame
DEFAULT_PATIENCE_S = 60.0
FAREWELL_S = 0.1  # the answer to "done" may be lost: be there to repeat it


def answer(args: PathArguments, talk: Talk) -> AnswerReceipt:
    """The answering end: keeps receipts, replies to what shows the token, and never sends first."""
    learned = _learned(args)
    with Line(args) as line:
        talk.event({"stage": "listening", "port": args["port"]})
        answering = _Answering(line)
        answering.run(talk, _patience_s(args) + IDLE_TIMEOUT_S)
        return {
            "role": "answer",
            "mtu": line.mtu,
            "small_received": answering.hellos,
            "received": _pairs(answering.received),
            "sent": _pairs(answering.sent),
            "finished": answering.finished,
            "learned_mtu_bytes": learned,
            "learned_mtu_bytes_after": _learned(args),
            "network": line.said(),
        }


def probe(args: PathArguments, talk: Talk) -> ProbeReceipt:
    """The asking end: the small frame, frames of the MTU both ways, and the largest size where those are stopped."""
    learned = _learned(args)
    with Line(args) as line:
        probing = Asking(line)
        began_s = time.monotonic()
        if probing.wait_for_small(talk, _patience_s(args)):
            passed_s = time.monotonic()
            talk.event({"stage": "small_passed", "say": "the path forwards", "waited_s": round(passed_s - began_s, 3)})
            probing.prove()
        else:
            passed_s = time.monotonic()
        probing.finish()
        return {
            "role": "probe",
            "mtu": line.mtu,
            "small_received": probing.welcomed,
            "waited_s": passed_s - began_s,
            "proof_s": time.monotonic() - passed_s,
            "received": _pairs(probing.back.passed),
            "acknowledged": _pairs(probing.out.passed),
            "sent": _pairs(probing.out.tried),
            "asked": _pairs(probing.back.tried),
            "small_sent": probing.helloed,
            "small_behind_full": probing.behind_full,
            "learned_mtu_bytes": learned,
            "learned_mtu_bytes_after": _learned(args),
            "network": line.said(),
        }


def _patience_s(args: PathArguments) -> float:
    timeout_s = args.get("small_first_timeout_s")
    return DEFAULT_PATIENCE_S if timeout_s is None else timeout_s


def _learned(args: PathArguments) -> Optional[int]:
    return learned_mtu_bytes(args["interface"], args["family"], args["local"], args["peer"])


def _pairs(counts: Dict[int, int]) -> List[List[int]]:
    """Counts by size as JSON can carry them: [[size, count], ...]."""
    return [[size, counts[size]] for size in sorted(counts)]


class _Answering:
    """The answering end's receipts: frames received and sent, by size, each sequence number once."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._seen: Set[int] = set()
        self.hellos = 0
        self.received: Dict[int, int] = {}
        self.sent: Dict[int, int] = {}
        self.finished = False

    def run(self, talk: Talk, first_timeout_s: float) -> None:
        """Answer until the asking end says it is done, or falls silent, or the controller says anything at all."""
        timeout_s, finished_s = first_timeout_s, 0.0
        while True:
            frame = self._line.receive(timeout_s, unless_readable=[talk])
            if frame is None or (self.finished and time.monotonic() > finished_s + IDLE_TIMEOUT_S):
                return  # the second: somebody repeats frames that he has overheard
            self._take(frame)
            finished_s = finished_s or (time.monotonic() if self.finished else 0.0)
            timeout_s = FAREWELL_S if self.finished else IDLE_TIMEOUT_S

    def _take(self, frame: Frame) -> None:
        if frame.kind == DONE:
            self.finished = True
            self._line.send(BYE, frame.sequence)
            return
        if frame.sequence in self._seen:
            return
        self._seen.add(frame.sequence)
        if frame.kind == HELLO:
            self.hellos += 1
            self._line.send(WELCOME, frame.sequence)
        elif frame.kind == BIG:
            size = self._line.packet_bytes(frame)
            self.received[size] = self.received.get(size, 0) + 1
            self._line.send(GOT, frame.sequence, size_bytes=size)
        elif frame.kind == ASK:
            self._send_back(frame)

    def _send_back(self, frame: Frame) -> None:
        size = frame.size_bytes
        if size > self._line.mtu:
            return
        if self._line.send(BACK, frame.sequence, size_bytes=size, packet_bytes=size):
            self.sent[size] = self.sent.get(size, 0) + 1
        elif size in self._line.too_long_here:
            self._line.send(CANNOT, frame.sequence, size_bytes=size)
