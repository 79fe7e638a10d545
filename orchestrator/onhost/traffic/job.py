"""One end of a trial's traffic: connect, fork a process per stream, watch while they run, collect what they counted.

This process does no traffic itself. One loop waits for everything at once: new connections, the stream processes'
results, the round-trip probe, what is to be read beside the traffic, and the controller, who may cancel at any time.
"""

from __future__ import annotations

import select
import socket
import time
from typing import Callable, Dict, List, Mapping, Optional, cast

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.traffic import parts, workers
from orchestrator.onhost.traffic.arguments import TrafficArguments
from orchestrator.onhost.traffic.beside import Beside
from orchestrator.onhost.traffic.flow_series import FlowSeries
from orchestrator.onhost.traffic.flows import Flow, Pair, read_args
from orchestrator.onhost.traffic.handshake import Dialling, Serving
from orchestrator.onhost.traffic.results import PartResult, TrafficResult
from orchestrator.onhost.traffic.telling import Telling
from orchestrator.onhost.traffic.window import Window, read_window
from orchestrator.onhost.traffic.workers import Worker

_CONNECT_TIMEOUT_S = 15.0  # the controller's own patience is 20 s: it should hear the reason, not run out of time
_START_TIMEOUT_S = 60.0  # the controller asks both ends for their clocks before it tells them the start
_GRACE_NS = 3_000_000_000  # for a result after the last datagram could have come
_LONGEST_PAUSE_S = 0.1


def serve(args: TrafficArguments, talk: Talk) -> TrafficResult:
    """The listening end's job, for all directions."""
    traffic = Traffic(read_args(args, serving=True), args, talk)
    serving = Serving(traffic.pair)
    try:
        talk.event({"stage": "listening", "ports": [stream.port for stream in traffic.pair.streams]})
        # A lost welcome is asked for again: keep answering until the start is told, that is, until both ends know.
        traffic.serving = serving
        traffic.loop(lambda: serving.complete, min(traffic.pair.timeout_s, _CONNECT_TIMEOUT_S), serving.not_connected)
        return traffic.run(serving.connected)
    finally:
        traffic.close()
        serving.close()


def dial(args: TrafficArguments, talk: Talk) -> TrafficResult:
    """The connecting end's job."""
    traffic = Traffic(read_args(args, serving=False), args, talk)
    dialling = Dialling(traffic.pair)
    try:
        dialling.connect(min(traffic.pair.timeout_s, _CONNECT_TIMEOUT_S))
        return traffic.run(dialling.connected)
    finally:
        traffic.close()
        dialling.close()


class Traffic:
    """What both ends do alike, and the loop that they wait in."""

    def __init__(self, pair: Pair, args: TrafficArguments, talk: Talk) -> None:
        self.pair = pair
        self.serving: Optional[Serving] = None
        self._args, self._talk = args, talk
        self._workers: List[Worker] = []
        self._beside: Optional[Beside] = None
        self._series: List[FlowSeries] = []  # in the order of the flows
        self._telling: Optional[Telling] = None
        self._told: Optional[Mapping[str, int]] = None

    def run(self, sockets: Dict[int, socket.socket]) -> TrafficResult:
        """From connected streams to the job's result. Refusal when a stream refuses, or something takes too long."""
        for stream in self.pair.streams:
            self._workers.append(Worker(workers.make(self.pair, stream, sockets[stream.number])))
        self.loop(
            lambda: all(worker.ready for worker in self._workers),
            self.pair.timeout_s,
            lambda timeout_s: Refusal("not_ready", f"the streams were not ready within {timeout_s:g} s"),
        )
        beside = self._beside = Beside(
            self.pair,
            self._args,
            sockets,
            {worker.stream.number: worker.counts for worker in self._workers if worker.counts is not None},
        )
        self._talk.event({"stage": "connected"})
        window = self._wait_for_start()
        beside.begin(window)
        self._series = [
            FlowSeries(flow, "send" if self._sends(flow) else "receive", window) for flow in self.pair.flows
        ]
        telling = self._telling = Telling(self._talk, self._series, beside.take_watched)
        for worker in self._workers:
            worker.start(window)
        left_s = (window.given_up_ns + _GRACE_NS - time.monotonic_ns()) / 1e9
        self.loop(
            lambda: all(worker.result is not None for worker in self._workers),
            left_s,
            lambda _: Refusal("stuck", "a stream did not end in time"),
        )
        return self._result(window, beside, telling)

    def _sends(self, flow: Flow) -> bool:
        """Whether this end sends the flow."""
        return next(stream.sends_here for stream in self.pair.streams if stream.flow is flow)

    def _wait_for_start(self) -> Window:
        self.loop(
            lambda: self._told is not None,
            _START_TIMEOUT_S,
            lambda timeout_s: Refusal("not_told", f"the controller told no start for {timeout_s:g} s"),
        )
        self.serving = None
        assert self._told is not None
        return read_window(self._told)

    def loop(self, done: Callable[[], bool], timeout_s: float, late: Callable[[float], Refusal]) -> None:
        """Serve everything that wants to be served until `done()`; raise `late(timeout_s)` when that takes longer."""
        until_s = time.monotonic() + timeout_s
        while not done():
            now_s = time.monotonic()
            if now_s > until_s:
                raise late(timeout_s)
            self._turn(min(_LONGEST_PAUSE_S, until_s - now_s))

    def _turn(self, longest_s: float) -> None:
        """Wait for the first thing that happens or is due, and do it."""
        waited_for: Dict[int, Callable[[], None]] = {self._talk.fileno(): self._hear_controller}
        for worker in self._workers:
            if worker.output >= 0:
                waited_for[worker.output] = worker.hear
        if self.serving:
            waited_for[self.serving.fileno()] = self.serving.turn
        if self._beside:
            waited_for.update(dict.fromkeys(self._beside.filenos(), self._beside.turn))
            longest_s = min(longest_s, (self._beside.due_ns - time.monotonic_ns()) / 1e9)
        waiting = select.poll()
        for number in waited_for:
            waiting.register(number, select.POLLIN)
        for number, _ in waiting.poll(max(0.0, 1000 * longest_s)):
            waited_for[number]()
        if self.serving:
            self.serving.drop_late_strangers()
        if self._beside:
            self._beside.turn()
        if self._telling:
            self._take_intervals()
            self._telling.turn()

    def _take_intervals(self) -> None:
        for worker in self._workers:
            series = next(each for each in self._series if each.flow is worker.stream.flow)
            for first, octets, datagrams in worker.take_intervals():
                series.add(first, octets, datagrams)

    def _hear_controller(self) -> None:
        """Take what the controller has told, without waiting. Refusal when it cancels."""
        try:
            told = self._talk.wait(0.01)
        except Refusal as refusal:
            if refusal.code == "not_told":  # a part of a message: the rest will come
                return
            raise
        if told.get("cancel"):
            raise Refusal("cancelled", "the controller cancelled the traffic")
        if "start_ns" in told:
            self._told = cast("Mapping[str, int]", told)  # the table of messages has looked at it

    def _result(self, window: Window, beside: Beside, telling: Telling) -> TrafficResult:
        self._take_intervals()
        infos = beside.tcp_summaries()
        found: List[PartResult] = []
        for flow, series in zip(self.pair.flows, self._series):
            own = [worker for worker in self._workers if worker.stream.flow is flow]
            results = [worker.result for worker in own if worker.result is not None]
            found.append(parts.part_of(flow, self._sends(flow), window, results, infos, series))
        around = beside.end()
        for part in found:
            part["process"]["throttled_ratio"] = around["watch"].get("throttled_ratio")
        return {"parts": found, **around, "told": telling.end()}

    def close(self) -> None:
        """End every stream process, by its number."""
        for worker in self._workers:
            worker.kill()
        if self._beside:
            self._beside.close()
