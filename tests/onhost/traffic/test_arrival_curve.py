"""What had arrived by a mark, from instants around it, and how far off that can be."""

from __future__ import annotations

import itertools
import os
import random
import signal
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.onhost.traffic import stamps
from orchestrator.onhost.traffic.arrival_curve import ArrivalCurve, Known
from orchestrator.onhost.traffic.kernel_counts import KernelCounts
from orchestrator.onhost.traffic.marks import Marks

MS, S = 1_000_000, 1_000_000_000
RATE_BYTES_S = 125e6


def arrivals(seed: int, until_ns: int) -> list[tuple[int, int]]:
    """(instant, total) of a flow that stops and goes, never faster than the link."""
    chance, at_ns, total, found = random.Random(seed), 0, 0, [(0, 0)]
    while at_ns < until_ns:
        step_ns = chance.randrange(100_000, 8 * MS)
        at_ns += step_ns
        total += round(RATE_BYTES_S * step_ns / S * chance.choice((0, 0.3, 1, 1)))
        found.append((at_ns, total))
    return found


def true_total(flow: list[tuple[int, int]], at_ns: int) -> float:
    """Each piece arrives evenly."""
    for (begun_ns, before), (ended_ns, after) in itertools.pairwise(flow):
        if begun_ns <= at_ns <= ended_ns:
            return before + (at_ns - begun_ns) / (ended_ns - begun_ns) * (after - before)
    raise AssertionError("beyond the flow")


@given(st.integers(0, 10**9), st.lists(st.integers(MS // 10, 130 * MS), min_size=1, max_size=40))
def test_the_stated_bound_holds_however_late_the_receiver_looks(seed: int, gaps_ns: list[int]) -> None:
    flow = arrivals(seed, 2 * S)
    marks = Marks(300 * MS, 1300 * MS, most_per_s=RATE_BYTES_S)
    curve, at_ns, place = ArrivalCurve(0), 0, 0
    while not marks.complete:
        at_ns += gaps_ns[place % len(gaps_ns)]
        place += 1
        curve.add(at_ns, round(true_total(flow, at_ns)))
        while marks.next_ns <= at_ns:
            mark_ns = marks.next_ns
            before, behind = curve.around(mark_ns)
            marks.cross(before.at_ns, before.total, behind.at_ns, behind.total)
            curve.forget_before(mark_ns)
    truth = true_total(flow, 1300 * MS) - true_total(flow, 300 * MS)
    assert abs(marks.window_count - truth) <= marks.edge_error + 2, "rounding apart"
    assert sum(marks.fresh) == pytest.approx(marks.window_count)


def test_on_a_full_link_a_late_look_costs_no_certainty() -> None:
    """Between two looks 80 ms apart a full link can have brought its octets in one way only: evenly."""
    marks = Marks(100 * MS, 1100 * MS, most_per_s=RATE_BYTES_S)
    for at_ms in range(70, 1300, 80):
        now, before = at_ms * MS, (at_ms - 80) * MS
        if now >= marks.next_ns:
            marks.cross(before, RATE_BYTES_S * before / S, now, RATE_BYTES_S * now / S)
    assert marks.window_count == pytest.approx(RATE_BYTES_S)
    assert marks.edge_error < 10


def test_the_nearest_instants_on_either_side_of_a_mark_count_whoever_saw_them() -> None:
    curve = ArrivalCurve(0)
    for at_ns, total in ((90, 900), (250, 2500), (101, 1010), (180, 1800)):
        curve.add(at_ns, total)
    assert curve.around(100) == (Known(90, 900), Known(101, 1010))
    curve.forget_before(100)
    assert curve.around(200) == (Known(180, 1800), Known(250, 2500))


def test_a_count_never_falls_where_two_witnesses_differ() -> None:
    curve = ArrivalCurve(0)
    curve.add(90, 1000)
    curve.add(110, 990)
    before, behind = curve.around(100)
    assert before.total == behind.total == 1000


def test_what_the_job_notes_the_stream_s_process_reads() -> None:
    """And no record that is half written, nor more than the ring holds."""
    counts = KernelCounts()
    pid = os.fork()
    if pid == 0:
        for place in range(1, 101):
            counts.note(place * S, place * 1000)
        os._exit(0)
    os.waitpid(pid, 0)
    assert sorted(counts.since(99 * S)) == [Known(99 * S, 99_000), Known(100 * S, 100_000)]
    counts._page[8:16] = b"\0" * 8
    assert len(list(counts.since(0))) < 64


def test_a_pause_between_two_clocks_does_not_pass_for_a_step_of_the_wall_clock() -> None:
    """Stopped for 2 ms again and again while it compares them: the comparison stays within a tenth of that."""
    readable, writable = os.pipe()
    expected = stamps.wall_offset_ns()
    pid = os.fork()
    if pid == 0:
        worst = 0
        until = time.monotonic() + 0.3
        while time.monotonic() < until:
            worst = max(worst, abs(stamps.wall_offset_ns() - expected))
        os.write(writable, str(worst).encode())
        os._exit(0)
    for _ in range(60):
        time.sleep(0.002)
        os.kill(pid, signal.SIGSTOP)
        time.sleep(0.002)
        os.kill(pid, signal.SIGCONT)
    os.waitpid(pid, 0)
    assert int(os.read(readable, 64)) < 200_000
