"""An emulated host of the BSD family as one end of a link: measured, watched over, and left as it was found."""

from __future__ import annotations

import csv
import signal
import time
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from tests.bsd.bench import PLAN, Bench, eventually
from tests.bsd.emulation import set_wall_clock

pytestmark = pytest.mark.lab
MATRIX = """factors: {mtu: [1500, 9000], direction: [transmit, receive], transport: [tcp, udp]}
trial: {length: 500ms, warmup: 100ms, settle: 0s, replicates: 1}
"""
LONG = """factors: {mtu: [9000]}
lease: 5s
trial: {length: 500ms, warmup: 0s, settle: 0s, replicates: 60}
"""
EMPTY_AT_HALL = (
    "busiest_core",
    "busiest_core_busy",
    "busiest_core_softirq",
    "cpu_s_per_gigabyte",
    "process_wait_share",
    "throttled_ratio",
)
OF_A_SENDERS_TCP = ("segments_sent", "segments_retransmitted", "rtt_s", "rtt_min_s", "mss_bytes", "path_mtu_bytes")


@pytest.fixture
def bench(lab: Lab, tmp_path: Path) -> Bench:
    time.sleep(2.2)  # the duplicate checks of the lab's addresses, so that what others see stands still
    return Bench(lab, tmp_path)


def test_a_matrix_against_an_emulated_bsd_end_is_valid_and_leaves_both_ends_as_found(bench: Bench) -> None:
    as_found = bench.seen()
    done = bench.run(MATRIX)
    assert done.returncode == 0, done.stderr
    assert bench.seen() == as_found
    assert "hall: restored and verified as found" in done.stderr
    with (bench.run_folder / "trials.csv").open() as handle:
        rows = [row for row in csv.DictReader(handle) if row["role"] == "measure"]
    assert len(rows) == 8
    assert {row["status"] for row in rows} == {"valid"}
    assert all(float(row["goodput_bit_s"]) > 1e6 for row in rows)
    sides = [(row, side) for row in rows for side in ("sender", "receiver") if row[side] == "hall"]
    assert {row[f"{side}_{name}"] for row, side in sides for name in EMPTY_AT_HALL} == {""}
    sent_there = [row for row in rows if row["sender"] == "hall"]
    assert {row[name] for row in sent_there if row["transport"] == "tcp" for name in OF_A_SENDERS_TCP} == {""}
    assert {row["send_path"] for row in sent_there if row["transport"] == "udp"} == {"single"}
    assert {row["jitter_mean_s"] for row in rows if row["receiver"] == "hall"} == {""}
    assert (
        "hall: of the BSD family"
        in (bench.run_folder / "report.md").read_text() + (bench.run_folder / "run.json").read_text()
    )


def test_a_killed_controller_is_made_up_for_by_the_host_itself_although_its_clock_was_set(bench: Bench) -> None:
    as_found = bench.seen()
    process = bench.start(LONG)
    eventually(lambda: bench.mtu() == 9000, "the level")
    set_wall_clock(bench.hall, 7200)  # kern.boottime is another from here on, and every start time
    time.sleep(1.0)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert bench.mtu() == 9000, "nobody has put anything back yet"
    eventually(lambda: bench.mtu() == 1500, "restored by the watchdog", 40.0)
    eventually(lambda: bench.record().get("standing") == "restored", "and said so")
    done = bench.recover()
    assert done.returncode == 0, done.stderr
    assert bench.seen() == as_found


def test_a_killed_watchdog_is_replaced_and_the_new_one_puts_back(bench: Bench) -> None:
    as_found = bench.seen()
    process = bench.start(LONG)
    eventually(lambda: bench.mtu() == 9000 and len(bench.watchdogs()) == 2, "the level, and two watchdogs")
    supervisor = bench.record()["watchdog"]["pid"]
    bench.kill([supervisor])  # its worker takes its place
    eventually(
        lambda: bench.record()["watchdog"]["pid"] != supervisor and len(bench.watchdogs()) == 2,
        "the worker in its place",
    )
    both = bench.watchdogs()
    bench.kill(both)  # the helper has another one started
    eventually(lambda: len(bench.watchdogs()) == 2 and not set(bench.watchdogs()) & set(both), "another watchdog")
    process.send_signal(signal.SIGKILL)
    process.wait()
    eventually(lambda: bench.mtu() == 1500, "restored by the new watchdog", 40.0)
    done = bench.recover()
    assert done.returncode == 0, done.stderr
    assert bench.seen() == as_found


def test_with_controller_and_both_watchdogs_killed_recover_puts_back_although_the_clock_was_set(bench: Bench) -> None:
    as_found = bench.seen()
    process = bench.start(LONG)
    eventually(lambda: bench.mtu() == 9000 and len(bench.watchdogs()) == 2, "the level, and two watchdogs")
    process.send_signal(signal.SIGKILL)
    process.wait()
    eventually(lambda: not bench.helpers(), "the helper has ended with its connection")
    bench.kill(bench.watchdogs())
    set_wall_clock(bench.hall, 7200)  # to a new session this looks like another start
    done = bench.recover()
    assert done.returncode == 0, done.stderr
    assert bench.mtu() == 1500
    assert bench.seen() == as_found


@pytest.mark.parametrize(
    ("said", "host", "runs"),
    [({"hall": "linux"}, "hall", "FreeBSD"), ({"hall": "bsd", "dome": "bsd"}, "dome", "Linux")],
)
def test_a_host_of_another_family_than_the_plan_says_is_refused_before_any_change(
    bench: Bench, said: dict[str, str], host: str, runs: str
) -> None:
    as_found = bench.seen()
    head = PLAN.replace(", system: bsd", "")
    for name, system in said.items():
        head = head.replace(f"{{ssh: {name}, ", f"{{ssh: {name}, system: {system}, ")
    done = bench.run("factors: {mtu: [9000]}\ntrial: {length: 500ms, replicates: 1}\n", head)
    assert done.returncode == 3
    assert f"{host}: the plan says system: {said.get(host, 'linux')}, and the host runs {runs}" in done.stderr
    assert "write system:" in done.stderr
    assert bench.seen() == as_found
