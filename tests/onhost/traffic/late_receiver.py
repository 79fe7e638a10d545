"""Trials whose receiver is made late on purpose, each beside what the shaper of the link really let through.

A case is drawn from a seed: transport, family, frame size, rate, direction, and how the receiver is made late.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from orchestrator.decide.verdict.judge import judge
from orchestrator.lab.cpu_group import CpuGroup
from orchestrator.wire import goodput_ceiling
from tests.onhost.traffic.shaper_count import Referee
from tests.onhost.traffic.two_ends import arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, join_by_switch, shape

KINDS = ("none", "hog", "stopped", "quota")
RATES_BIT_S = (100_000_000, 200_000_000, 300_000_000, 500_000_000, 700_000_000, 1_000_000_000)
QUOTA, QUOTA_PERIOD_US = 0.2, 100_000
STOPPED_S = 0.1
STEP_NS = 100_000_000  # the series' interval
_QUEUE_BYTES = 8_000_000  # TCP's window fits into it with the receive buffer below: nothing is dropped there
_TCP_BUFFER_BYTES = 3_000_000
_LIVES_S = 30.0


class Case(NamedTuple):
    """One trial to be."""

    kind: str
    transport: str
    family: int
    mtu: int
    rate_bit_s: int
    way: str
    length_s: float
    seed: int
    load: float | None  # share of the ceiling asked of UDP; None: as fast as it goes
    own_buffer: bool  # whether the kernel chooses TCP's buffers


class Seen(NamedTuple):
    """What came of it. Payload in octets."""

    fill: float
    error: float | None  # goodput / the shaper's count, less one; None where some of that was thrown away
    interval_error: float | None  # the largest of the series' intervals, as a share of a full interval
    status: str
    doubts: tuple[str, ...]
    reason: str
    counted_by: str
    edge_error: float | None  # the bound that the receiver gives for itself, as a share
    truth_fill: float
    lateness_s: float  # of the referee's own readings


def draw(seed: int, kind: str | None = None, length_s: float = 1.0) -> Case:
    """The case of a seed."""
    chance = random.Random(f"late {seed}")
    drawn = chance.choice(KINDS)
    transport = chance.choice(("tcp", "udp"))
    return Case(
        kind or drawn,
        transport,
        chance.choice((4, 6)),
        chance.choice((1500, 9000)),
        chance.choice(RATES_BIT_S),
        chance.choice(("transmit", "receive")),
        length_s,
        seed,
        chance.choice((0.9, 0.98, None)) if transport == "udp" else None,
        chance.random() < 0.3,
    )


def measure(case: Case) -> Seen:
    """Carry it out in a lab of its own; the quota's files are out of sight there, so its group is made outside."""
    if case.kind != "quota":
        return in_own_namespace(_trial, case, None)
    with throttled(QUOTA) as (members, _):
        return in_own_namespace(_trial, case, members)


@contextmanager
def throttled(share: float) -> Iterator[tuple[int, Path]]:
    """A control group that grants this share of a core, in one piece at the beginning of each 100 ms.

    The value is where to write its members (the path to it is hidden in the test's own namespace), and its folder.
    """
    group = CpuGroup("late")
    try:
        if group.version == 1:
            (group.folder / "cpu.cfs_period_us").write_text(str(QUOTA_PERIOD_US))
            (group.folder / "cpu.cfs_quota_us").write_text(str(int(QUOTA_PERIOD_US * share)))
        else:
            (group.folder / "cpu.max").write_text(f"{int(QUOTA_PERIOD_US * share)} {QUOTA_PERIOD_US}")
        members = os.open(group.folder / "cgroup.procs", os.O_WRONLY)
        yield members, group.folder
        os.close(members)
    finally:
        group.remove()


def _trial(case: Case, members: int | None) -> Seen:
    join_by_switch(case.mtu)
    shape(case.rate_bit_s, limit_bytes=_QUEUE_BYTES)
    ceiling = goodput_ceiling(case.rate_bit_s, case.mtu, case.family, case.transport)
    asked = flow(case.way, case.transport)
    if case.transport == "udp":
        asked["intended_load_bit_s"] = case.load * ceiling if case.load else None
        asked["socket_buffer_bytes"] = 64 << 20  # holds what arrives while nobody reads
    elif not case.own_buffer:
        asked["socket_buffer_bytes"] = _TCP_BUFFER_BYTES
    if case.kind == "hog":
        asked["receiver_core"] = 0
    args = arguments([asked], timeout_s=20.0, **ends(case.family, mtu=case.mtu, rate_bit_s=float(case.rate_bit_s)))
    referee = Referee(enter("switch"), "port1" if case.way == "transmit" else "port0")
    receiving = "serve" if case.way == "transmit" else "dial"
    pids: dict[str, int] = {}

    def born(verb: str, pid: int) -> None:
        pids[verb] = pid
        if verb == receiving and members is not None:
            os.write(members, str(pid).encode())

    with contextlib.ExitStack() as mischief:

        def set_out(told: dict[str, int]) -> None:
            referee.watch(_marks(told))
            if case.kind == "hog":
                mischief.enter_context(hog(0))
            if case.kind == "stopped":
                mischief.enter_context(stopping(_streams_of(pids[receiving]), told, case.seed))

        dialled, served = run_pair(
            args,
            length_s=case.length_s,
            warmup_s=0.35,
            dial_in=enter("near"),
            serve_in=enter("far"),
            born=born,
            set_out=set_out,
        )
    return _compare(case, asked, ceiling, dialled, served, referee)


def _marks(told: dict[str, int]) -> list[int]:
    begin, end = told["window_from_ns"], told["window_to_ns"]
    return [*range(begin, end - STEP_NS // 2, STEP_NS), end]


def _compare(case: Case, asked: dict[str, Any], ceiling: float, dialled: Any, served: Any, referee: Referee) -> Seen:
    passed = referee.payload_at_marks(case.transport, case.family)
    got = part(served if case.way == "transmit" else dialled, "receive", case.way)
    truth = passed[-1][0] - passed[0][0]
    facts = {
        "rate_bit_s": float(case.rate_bit_s),
        "family": case.family,
        "mtu": case.mtu,
        "rate_from": "plan",
        "first": {"host": "near", "interface": "eth1"},
        "second": {"host": "far", "interface": "eth1"},
    }
    verdict = judge(
        {
            "traffic": {**asked, "direction": case.way},
            "levels": {},
            "link_facts": facts,
            "link": "uplink",
            "role": "measure",
            "first": dialled,
            "second": served,
        }
    )
    again = (part(dialled if case.way == "transmit" else served, "send", case.way).get("tcp") or {}).get(
        "segments_retransmitted_whole"
    )
    goodput_bit_s = 8 * got["goodput_bytes"] / got["window_s"]
    full = ceiling / 8 * STEP_NS / 1e9
    steps = [
        abs(row[1] - (after[0] - before[0])) / full
        for row, before, after in zip(got["series"], passed, passed[1:], strict=False)
    ]
    complete = not got.get("socket_drops") and not again  # else the shaper let through what was then thrown away
    return Seen(
        goodput_bit_s / ceiling,
        got["goodput_bytes"] / truth - 1 if complete else None,
        max(steps) if complete and steps else None,
        verdict.status,
        verdict.doubts,
        verdict.reason,
        str(got.get("counted_by")),
        got["edge_error_bytes"] / max(1, got["goodput_bytes"]),
        8 * truth / got["window_s"] / ceiling,
        max(passed[0][1], passed[-1][1]),
    )


def _streams_of(job_pid: int) -> list[int]:
    """The stream processes of a traffic job: its children."""
    return [int(word) for word in Path(f"/proc/{job_pid}/task/{job_pid}/children").read_text().split()]


@contextmanager
def hog(core: int) -> Iterator[None]:
    """A process that never rests on one core."""
    pid = os.fork()
    if pid == 0:
        os.sched_setaffinity(0, {core})
        until = time.monotonic() + _LIVES_S
        while time.monotonic() < until:
            pass
        os._exit(0)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)


@contextmanager
def stopping(pids: list[int], told: dict[str, int], seed: int) -> Iterator[None]:
    """Stop these processes for 100 ms at a time, again and again, one of the times across each end of the window."""
    chance = random.Random(f"stops {seed}")
    over = threading.Event()
    edges = [told[name] / 1e9 - chance.uniform(0.005, STOPPED_S - 0.005) for name in ("window_from_ns", "window_to_ns")]

    def stop_and_go() -> None:
        while not over.is_set():
            now = time.monotonic()
            ahead = [edge for edge in edges if edge > now]
            pause = chance.uniform(0.02, 0.2)
            if ahead and now + pause + STOPPED_S > ahead[0]:
                pause = ahead[0] - now
            if over.wait(pause):
                return
            _signal(pids, signal.SIGSTOP)
            over.wait(STOPPED_S)
            _signal(pids, signal.SIGCONT)

    thread = threading.Thread(target=stop_and_go)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        _signal(pids, signal.SIGCONT)


def _signal(pids: list[int], number: int) -> None:
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)
