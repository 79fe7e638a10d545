"""One end of a trial's traffic: connect, fork a process per stream, watch while they run, collect what they counted.

This process does no traffic itself. It keeps the sockets open, reads TCP's own account of them ten times a second,
samples the host five times a second, and stays able to hear "cancel" throughout.
"""

from __future__ import annotations

import select
import time
from typing import Any, Dict, List, Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.traffic import handshake, parts, workers
from orchestrator.onhost.traffic.beside import Beside
from orchestrator.onhost.traffic.flows import Pair, read_args
from orchestrator.onhost.traffic.window import Window, read_window
from orchestrator.onhost.traffic.workers import Worker

_TURN_S = 0.05
_GRACE_NS = 3_000_000_000  # for a result after the last datagram could have come
_CONNECT_BOUND_S = 15.0  # the controller's own patience is 20 s: it should hear the reason, not run out of time
_LONGEST_PAUSE_NS = 100_000_000
_START_BOUND_S = 60.0  # the controller asks both ends for their clocks before it tells them the start


def serve(args: Dict[str, Any], talk: Any) -> Dict[str, Any]:
    """The listening end's job, for all directions."""
    pair = read_args(args, serving=True)
    serving = handshake.Serving(pair)
    traffic = Traffic(pair, args, talk)
    try:
        talk.event({"stage": "listening", "ports": [stream.port for stream in pair.streams]})
        bound_s = min(pair.bound_s, _CONNECT_BOUND_S)
        until = time.monotonic() + bound_s
        while not serving.complete:
            serving.turn(_TURN_S)
            traffic.hear_controller()
            if time.monotonic() > until:
                missing = next(each for each in pair.streams if each.number not in serving.connected)
                raise Refusal("not_connected", f"nobody who knows the trial's token came to port {missing.port} within "
                              f"{bound_s:g} s", port=missing.port, stream=missing.number, bound_s=bound_s)
        traffic.fork(serving.connected)
        talk.event({"stage": "connected"})
        # A lost welcome is asked for again: keep answering until the start is told, that is, until both ends know.
        window = traffic.wait_for_start(serving.turn)
        return traffic.run(window)
    finally:
        traffic.close()
        serving.close()


def dial(args: Dict[str, Any], talk: Any) -> Dict[str, Any]:
    """The connecting end's job."""
    pair = read_args(args, serving=False)
    traffic = Traffic(pair, args, talk)
    try:
        traffic.fork(handshake.Dialling(pair).connect(min(pair.bound_s, _CONNECT_BOUND_S)))
        talk.event({"stage": "connected"})
        return traffic.run(traffic.wait_for_start(time.sleep))
    finally:
        traffic.close()


class Traffic:
    """What both ends do alike once their streams are connected."""

    def __init__(self, pair: Pair, args: Dict[str, Any], talk: Any) -> None:
        self._pair, self._args, self._talk = pair, args, talk
        self._sockets: Dict[int, Any] = {}
        self._workers: List[Worker] = []
        self._beside: Optional[Beside] = None
        self._told: Optional[Dict[str, Any]] = None

    def fork(self, sockets: Dict[int, Any]) -> None:
        """Start every stream's process and wait until all are ready."""
        self._sockets = sockets
        self._beside = Beside(self._pair, sockets, float(self._args.get("watch_s") or 0.2))
        for stream in self._pair.streams:
            self._workers.append(Worker(workers.make(self._pair, stream, sockets[stream.number])))
        until = time.monotonic() + self._pair.bound_s
        while not all(worker.ready for worker in self._workers):
            self._hear_workers(_TURN_S)
            if time.monotonic() > until:
                raise Refusal("not_ready", f"the streams were not ready within {self._pair.bound_s:g} s")

    def hear_controller(self) -> None:
        """Take what the controller has told, without waiting. Refusal when it cancels."""
        while select.select([self._talk], [], [], 0)[0]:
            try:
                told = self._talk.wait(0.01)
            except Refusal as refusal:
                if refusal.code == "not_told":
                    return
                raise
            if told.get("cancel"):
                raise Refusal("cancelled", "the controller cancelled the traffic")
            if "start_ns" in told:
                self._told = told

    def wait_for_start(self, meanwhile: Any) -> Window:
        """Wait until the controller tells the times; call `meanwhile(seconds)` in between."""
        until = time.monotonic() + _START_BOUND_S
        while True:
            self.hear_controller()
            if self._told is not None:
                return read_window(self._told)
            self._hear_workers(0)
            meanwhile(0.005)
            if time.monotonic() > until:
                raise Refusal("not_told", f"the controller told no start for {_START_BOUND_S:g} s")

    def run(self, window: Window) -> Dict[str, Any]:
        """The traffic itself: until every stream has its result. Refusal when one refuses or is late."""
        beside = self._beside
        assert beside is not None
        beside.begin(window)
        for worker in self._workers:
            worker.start(window)
        while any(worker.result is None for worker in self._workers):
            now = time.monotonic_ns()
            beside.turn()
            self._hear_workers(max(0, min(_LONGEST_PAUSE_NS, beside.due_ns - now)) / 1e9)
            self.hear_controller()
            if now > window.drained_ns + _GRACE_NS:
                raise Refusal("stuck", "a stream did not end in time")
        return self._result(window, beside)

    def _hear_workers(self, bound_s: float) -> None:
        open_workers = {worker.output: worker for worker in self._workers if worker.output >= 0}
        readable, _, _ = select.select(list(open_workers), [], [], bound_s)
        for descriptor in readable:
            open_workers[descriptor].hear()

    def _result(self, window: Window, beside: Beside) -> Dict[str, Any]:
        infos = beside.tcp_summaries()
        found = []
        for flow in self._pair.flows:
            own = [worker for worker in self._workers if worker.stream.flow is flow]
            results = [worker.result for worker in own if worker.result is not None]
            found.append(parts.part_of(flow, own[0].stream.sends_here, window, results, infos))
        around = beside.end()
        for part in found:
            part["process"]["throttled_ratio"] = around["watch"].get("throttled_ratio")
        return {"parts": found, **around, "round_trip": None}

    def close(self) -> None:
        """End every stream process and every connection."""
        for worker in self._workers:
            worker.kill()
        for sock in self._sockets.values():
            sock.close()
        if self._beside:
            self._beside.close()
