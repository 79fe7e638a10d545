"""Both traffic jobs without SSH: two forked jobs as the helper forks them, and this process as their controller.

Over `lo`, or each job inside a network namespace of its own (`enter` is called in the forked child).
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable
from typing import Any

from orchestrator.metrics.intervals import Intervals, series_values
from orchestrator.onhost import traffic
from orchestrator.onhost.service.job_process import Job
from orchestrator.onhost.traffic.signs import fresh_token
from tests.onhost.traffic.own_ports import OWN_PORTS

START_AHEAD_S = 0.02
PORTS = OWN_PORTS[:40]


class JobFailed(Exception):  # noqa: N818 - it is an answer
    """The error answer of a job."""

    def __init__(self, error: dict[str, Any]) -> None:
        super().__init__(f"{error['code']}: {error['message']}")
        self.code = error["code"]
        self.message = error["message"]


class Running:
    """One forked job: its events and its answer, waited for with bounds."""

    def __init__(self, verb: str, args: dict[str, Any], enter: Callable[[], None] | None = None) -> None:
        def function(given: dict[str, Any], talk: Any) -> dict[str, Any]:
            if enter:
                enter()
            return getattr(traffic, verb)(given, talk)

        self.job = Job(1, verb, function, args, 60.0)
        self._frames: list[dict[str, Any]] = []
        self.told: list[Intervals] = []  # as they came

    def _next(self, timeout_s: float) -> dict[str, Any]:
        until = time.monotonic() + timeout_s
        while not self._frames:
            left = until - time.monotonic()
            if left <= 0 or not select.select([self.job.line], [], [], left)[0]:
                raise TimeoutError(f"{self.job.verb} said nothing for {timeout_s} s")
            frames, connected = self.job.receive()
            self._frames += frames
            if not connected and not self._frames:
                raise EOFError(f"{self.job.verb} ended without an answer")
        return self._frames.pop(0)

    def event(self, stage: str, timeout_s: float = 10.0) -> dict[str, Any]:
        while True:
            frame = self._next(timeout_s)
            if frame["kind"] == "error":
                raise JobFailed(frame["body"])
            assert frame["kind"] == "event", frame
            if frame["body"].get("stage") == stage:
                return frame["body"]

    def result(self, timeout_s: float = 20.0) -> dict[str, Any]:
        while True:
            frame = self._next(timeout_s)
            if frame["kind"] == "error":
                raise JobFailed(frame["body"])
            if frame["kind"] == "done":
                return self._with_series(frame["body"])
            if "intervals" in frame["body"]:
                self.told.append(frame["body"]["intervals"])

    def _with_series(self, result: dict[str, Any]) -> dict[str, Any]:
        """Each part with what was told of it while it ran: (t_s, octets, datagrams) of each interval."""
        batches = [batch for told in self.told for batch in told["series"]]
        parts = [
            {
                **part,
                "series": [
                    values
                    for batch in batches
                    for values in series_values(batch)
                    if (batch["way"], batch["part"]) == (part["way"], part["part"])
                ],
            }
            for part in result["parts"]
        ]
        return {**result, "parts": parts}

    def end(self) -> None:
        self.job.kill()
        for _ in range(200):
            if self.job.reap():
                return
            time.sleep(0.01)


def flow(way: str = "transmit", transport: str = "tcp", **more: Any) -> dict[str, Any]:
    return {"way": way, "transport": transport, "streams": 1, **more}


def arguments(flows: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    """Arguments of a trial over `lo` with IPv4, unless `more` says otherwise."""
    return {
        "token": fresh_token(),
        "interface": "lo",
        "local": "127.0.0.1",
        "peer": "127.0.0.2",
        "family": 4,
        "ports": PORTS,
        "flows": flows,
        "mtu": 65536,
        "rate_bit_s": None,
        "watch_s": 0.2,
        "round_trip": False,
        "timeout_s": 5.0,
        **more,
    }


def other_end(args: dict[str, Any]) -> dict[str, Any]:
    return {**args, "local": args["peer"], "peer": args["local"]}


def times(length_s: float, warmup_s: float = 0.1, ahead_s: float = START_AHEAD_S) -> dict[str, int]:
    start = time.monotonic_ns() + int(ahead_s * 1e9)
    begin = start + int(warmup_s * 1e9)
    return {"start_ns": start, "window_from_ns": begin, "window_to_ns": begin + int(length_s * 1e9)}


def run_pair(
    args: dict[str, Any],
    *,
    length_s: float = 0.5,
    warmup_s: float = 0.1,
    serve_in: Callable[[], None] | None = None,
    dial_in: Callable[[], None] | None = None,
    born: Callable[[str, int], None] = lambda verb, pid: None,
    set_out: Callable[[dict[str, int]], None] = lambda told: None,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """One trial; returns the dialling end's and the serving end's results.

    `born` is told each job's process, `set_out` the trial's times just before the ends hear them.
    """
    serving = Running("serve", other_end(args), serve_in)
    born("serve", serving.job.pid)
    dialling = None
    try:
        serving.event("listening")
        dialling = Running("dial", args, dial_in)
        born("dial", dialling.job.pid)
        dialling.event("connected")
        serving.event("connected")
        told = times(length_s, warmup_s)
        set_out(told)
        for one in (serving, dialling):
            one.job.tell(told)
        return dialling.result(length_s + 15), serving.result(length_s + 15)
    finally:
        serving.end()
        if dialling:
            dialling.end()


def part(result: dict[str, Any], which: str, way: str = "transmit") -> dict[str, Any]:
    """The sending or receiving half of one way, from whichever end's result has it."""
    return next(each for each in result["parts"] if each["part"] == which and each["way"] == way)
