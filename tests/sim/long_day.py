"""A trial of a day on the virtual clock: what a host and a controller keep in memory, and how large messages get.

Two processes: `host` feeds the production accumulators of one end (marks, flows, watcher, TCP's account, round trips,
arrivals) with made figures and writes the frames it would send; `controller` runs the production runner, conductor,
session frames and journal against simulated hosts that say those frames. Each prints a line of JSON at the asked
moments: what it holds of memory (VmRSS), the largest frame so far, the journal's size.

    python -m tests.sim.long_day host LENGTH_S CORES MOMENT_S... | python -m tests.sim.long_day controller ...
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from orchestrator.act.actions import HostActions
from orchestrator.act.journal import Journal
from orchestrator.act.runner import Runner
from orchestrator.decide.state import begin
from orchestrator.metrics.intervals import STEP_NS
from orchestrator.onhost.path import round_trip
from orchestrator.onhost.service.frames import FrameReader, encode
from orchestrator.onhost.traffic import tcp_info
from orchestrator.onhost.traffic.arrivals import Arrivals
from orchestrator.onhost.traffic.flow_series import FlowSeries
from orchestrator.onhost.traffic.flows import Stream, read_args
from orchestrator.onhost.traffic.parts import part_of
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.telling import Telling
from orchestrator.onhost.traffic.window import Window
from orchestrator.onhost.watch import Watcher
from orchestrator.onhost.watch.samples import Sample
from orchestrator.planning.order import Trial
from tests.sim import fake_session
from tests.sim.fake_host import same_in_simulation
from tests.sim.fake_session import Chance, FakeJob, FakeSession, FakeWorld
from tests.sim.results import path_results, traffic_results
from tests.sim.sim import make_hosts, make_setup
from tests.sim.virtual_loop import VirtualLoop

Json = dict[str, Any]
S = 10**9
TELL_EVERY_S = 2
FROM_NS = S


@dataclass(frozen=True)
class Reading:
    """At a moment of the trial: memory held, the largest frame so far, and what the journal takes (controller)."""

    side: str
    at_s: int
    memory_bytes: int
    largest_frame_bytes: int
    journal_bytes: int


def memory_bytes() -> int:
    """What this process holds now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


class FrameSink:
    """In the place of a job's talk: frames to standard output, their largest remembered."""

    def __init__(self) -> None:
        self.largest = 0

    def push(self) -> None:
        """Everything is taken at once."""

    def offer(self, body: Json) -> bool:
        self.event(body)
        return True

    def event(self, body: Json) -> None:
        frame = encode({"id": 7, "kind": "event", "body": body})
        self.largest = max(self.largest, len(frame))
        sys.stdout.buffer.write(frame)


def host(length_s: int, cores: int, moments: list[int]) -> None:
    """One end that sends TCP on two streams and receives UDP on one."""
    draw = random.Random(1)
    flows = [
        {"way": "transmit", "transport": "tcp", "streams": 2},
        {"way": "receive", "transport": "udp", "streams": 1, "datagram_bytes": 1472},
    ]
    pair = read_args(
        {
            "token": "00" * 32,
            "interface": "lo",
            "local": "127.0.0.1",
            "peer": "127.0.0.2",
            "family": 4,
            "ports": [20000, 20001, 20002],
            "flows": flows,
            "mtu": 1500,
            "rate_bit_s": 1e9,
        },
        serving=False,
    )
    to_ns = FROM_NS + length_s * S
    window = Window(0, FROM_NS, to_ns, to_ns, to_ns, to_ns)
    series = [FlowSeries(flow, "send" if flow.way == "transmit" else "receive", window) for flow in pair.flows]
    nowhere = tempfile.mkdtemp(prefix="linktrial-empty-")  # a /proc and /sys without a file
    watcher, talk = Watcher("none", proc_root=nowhere, sys_root=nowhere), FrameSink()
    Path(nowhere).rmdir()
    watcher.begin(FROM_NS, to_ns)
    telling = Telling(talk, series, watcher.take_batches)
    processes = [StreamProcess(pair, stream, None) for stream in pair.streams]  # type: ignore[arg-type] # no traffic
    for process in processes:
        process.report = next(each for each in series if each.flow is process.stream.flow).add
    all_marks = [process.marks(window, process.stream.flow.datagram_bytes or 1) for process in processes]
    accounts, arrivals = [tcp_info.Account(), tcp_info.Account()], Arrivals()
    load = round_trip._Load(0, FROM_NS, to_ns)
    counts, ticks = [0, 0, 0], [[0] * 4 for _ in range(cores)]
    intervals = length_s * 10
    arrivals.open_window(intervals)
    for step in range(intervals + 1):
        now_ns = FROM_NS + step * STEP_NS
        for number, process in enumerate(processes):
            before = counts[number]
            counts[number] += round(draw.gauss(6e6, 1e5)) if number < 2 else round(draw.gauss(4200, 60))
            all_marks[number].cross(now_ns - STEP_NS, before, now_ns, counts[number])
            process.note_window(all_marks[number])
        for account in accounts:
            account.take(
                {
                    "rtt_us": draw.randrange(300, 500),
                    "snd_cwnd": 90,
                    "min_rtt_us": 200,
                    "snd_mss": 1448,
                    "pmtu": 1500,
                    "data_segs_out": step * 800_000 % (1 << 32),
                    "bytes_sent": counts[0],
                    "busy_us": step * 100_000,
                }
            )
        for _ in range(5):
            load.answered.add(draw.expovariate(3000))
        if arrivals.room > 0:
            sent = tuple(now_ns + place * 1_000_000 for place in range(40))
            arrivals.note(sent, [at + 10**15 + draw.randrange(50_000) for at in sent])
        if step < intervals:
            arrivals.next_interval()
        if step % 2 == 0:
            watcher._take(_sample(now_ns, step, ticks, draw))
        if step % (10 * TELL_EVERY_S) == 0:
            telling.due_ns = 0
            telling.turn()
        if step % 10 == 0 and step // 10 in moments:
            _print("host", step // 10, talk.largest, 0)

    def result(stream: Stream) -> Json:
        told = arrivals.summary(None) if stream.flow.transport == "udp" else {}
        return {
            "stream": stream.number,
            "last_interval": 1.0,
            "process": {"cpu_s": 1.0, "run_delay_s": 0.0, "span_s": 1.0},
            **told,
        }

    parts = [
        part_of(
            each.flow,
            each.flow.way == "transmit",
            window,
            [result(stream) for stream in pair.streams if stream.flow is each.flow],
            {},
            each,
        )
        for each in series
    ]
    final = {
        "parts": parts,
        "watch": watcher.summary(),
        "told": telling.end(),
        "round_trip": round_trip._told(load.answered, 3, 0),
    }
    talk.event({"final": final})
    sys.stdout.buffer.flush()
    _print("host", length_s + 1, talk.largest, 0)


def _sample(at_ns: int, step: int, ticks: list[list[int]], draw: random.Random) -> Sample:
    for core in ticks:
        kind = draw.randrange(4)
        core[kind] += 13
        core[kind - 1] += 7
    lines = b"\n".join(b"cpu%d %d 0 %d %d 0 0 %d 0" % (core, *each) for core, each in enumerate(ticks))
    return Sample(
        at_ns,
        lines,
        b"",
        b"",
        b"",
        step * 1000,
        {"policy0": 2_000_000_000 + step % 7 * 1_000_000},
        [],
        {"ksoftirqd/0": step},
        50.0,
        0,
    )


def _print(side: str, at_s: int, largest: int, journal_bytes: int) -> None:
    reading = Reading(side, at_s, memory_bytes(), largest, journal_bytes)
    print(json.dumps(vars(reading)), file=sys.stderr, flush=True)


class InlineJournal(Journal):
    """Flushes where it stands: on the virtual clock a thread's answer would come years late."""

    async def flush(self) -> bool:
        return self._flush()


def controller(length_s: int, moments: list[int]) -> None:
    """A run of one trial, both of whose ends say what comes in on standard input."""
    frames, source = FrameReader(), sys.stdin.buffer
    waiting: list[Json] = []
    largest = [0]

    def next_event() -> Json | None:
        while not waiting:
            data = source.read1(1 << 16)  # type: ignore[attr-defined] # a buffered reader has it
            if not data:
                return None
            waiting.extend(frames.feed(data))
        message = waiting.pop(0)
        largest[0] = max(largest[0], len(encode(message)))
        return dict(message["body"])

    async def go(_: FakeSession, dialer: FakeJob, server: FakeJob) -> None:
        if dialer.verb.startswith("path"):
            await asyncio.sleep(0.1)
            dialed, served = path_results(dialer.args, server.args, 9000)
        else:
            await dialer.told.get()
            await server.told.get()
            at_s = 0
            while (event := next_event()) is not None:
                await asyncio.sleep(TELL_EVERY_S if "intervals" in event else 0.0)
                at_s += TELL_EVERY_S
                for job in (dialer, server):
                    job.intervals.put_nowait(event)
                await asyncio.sleep(0.01)
                if any(at_s <= moment < at_s + TELL_EVERY_S for moment in moments):
                    _print("controller", at_s, largest[0], journal.path.stat().st_size)
            dialed, served = traffic_results(dialer.args, server.args)
        dialer.end(dialed)
        server.end(served)

    fake_session.FakeSession._go = go  # type: ignore[method-assign,assignment]
    plan = make_setup(3)
    setup = replace(
        plan,
        cells=plan.cells[:1],
        schedule=(Trial(1, plan.cells[0].number, 1, 1, 1),),
        lease_s=600.0,
        length_s=float(length_s),
    )
    loop = VirtualLoop()
    asyncio.set_event_loop(loop)
    with tempfile.TemporaryDirectory() as folder, InlineJournal(Path(folder) / "journal.jsonl") as journal:

        async def run() -> int:
            hosts = make_hosts(setup)
            world = FakeWorld(hosts, Chance(1, {}, calm_after_s=0.0), path_results, traffic_results)  # type: ignore[arg-type]
            journal.append("setup", setup.as_dict())
            state = begin(setup)
            actions = HostActions(state, world.connect, same_in_simulation)  # type: ignore[arg-type]
            return await Runner(state, journal, actions, lambda *_: None).run()

        code = loop.run_until_complete(run())
        _print("controller", length_s + 1, largest[0], journal.path.stat().st_size)
    if code not in (0, 1):
        raise SystemExit(f"the run ended with {code}")


def simulate(length_s: int, cores: int, moments: list[int]) -> list[Reading]:
    """Both sides' readings at these moments and after the end."""
    here = [sys.executable, "-m", "tests.sim.long_day"]
    words = [str(length_s), str(cores), *map(str, moments)]
    with subprocess.Popen([*here, "host", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        second = subprocess.run([*here, "controller", *words], stdin=first.stdout, capture_output=True, check=False)
        assert first.stderr is not None
        said = first.stderr.read().decode()
    if second.returncode or first.returncode:
        raise AssertionError(f"{said[-2000:]}\n{second.stderr.decode()[-3000:]}")
    lines = [*said.splitlines(), *second.stderr.decode().splitlines()]
    return [Reading(**json.loads(line)) for line in lines if line.startswith("{")]


# Python gives memory back in pieces, and adds up the last sample of a day (metrics/sample.py holds 30,000 values and
# arrivals 400,000 until their percentiles are computed, after the traffic).
MOST_GROWN_BYTES, MOST_AT_THE_END_BYTES, MOST_FRAME_BYTES = 8 << 20, 96 << 20, 64 << 10


def grown(readings: list[Reading]) -> list[str]:
    """What grew from ten minutes on, while the trial ran or at its end; nothing when it is flat."""
    problems = []
    for side in ("host", "controller"):
        own = [one for one in readings if one.side == side]
        first, *later = own
        while_running = max(one.memory_bytes for one in later[:-1])
        if while_running > first.memory_bytes + MOST_GROWN_BYTES:
            problems.append(f"the {side}'s memory grew from {first.memory_bytes} to {while_running} bytes")
        if later[-1].memory_bytes > first.memory_bytes + MOST_AT_THE_END_BYTES:
            problems.append(f"the {side} took {later[-1].memory_bytes} bytes at the end")
        if later[-1].largest_frame_bytes > MOST_FRAME_BYTES:
            problems.append(f"a message of {later[-1].largest_frame_bytes} bytes at the {side}")
        if max(one.largest_frame_bytes for one in later[:-1]) > 1.2 * first.largest_frame_bytes:
            problems.append(f"the {side}'s messages grew from {first.largest_frame_bytes} bytes")
    return problems


if __name__ == "__main__":
    side, length, core_count, *at = sys.argv[1:]
    if side == "host":
        host(int(length), int(core_count), [int(moment) for moment in at])
    else:
        controller(int(length), [int(moment) for moment in at])
