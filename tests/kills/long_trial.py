"""A trial whose controller is killed in its middle and taken up again: what was measured before stays, and is told."""

from __future__ import annotations

import csv
import gzip
import json
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.act.run_folder import journal_path
from orchestrator.decide.interval_lines import INTERVALS, IntervalLine, line_from
from orchestrator.decide.journal_lines import Walk
from tests.spine.bench import LINKTRIAL, Bench, kill_hard, plan_text, trials_of

# Intervals are told a second at a time by a stream's process, every two seconds by the host; the rest is this machine.
MOST_BEHIND_S = 6.0
HOSTS = ("dome", "hall")
RATE_BIT_S = 100_000_000


@dataclass
class Seen:
    """What a killed and resumed trial came to; `problems` is empty when every promise was kept."""

    killed_after_s: float = 0.0  # of the window
    behind_s: float = 0.0  # what had been measured before the kill and was not in the journal
    lines: int = 0
    problems: list[str] = field(default_factory=list)


def play(bench: Bench, length_s: float, seed: int) -> Seen:
    """One trial of so many seconds, killed at a random moment and resumed."""
    seen = Seen()
    draw = random.Random(seed)
    bench.lab.switch.set_rate(RATE_BIT_S)  # little enough for a machine that has other work, too
    before = {host: bench.links_and_addresses(host) for host in HOSTS}
    process = bench.start(
        plan_text(
            factors={"mtu": [9000], "transport": [draw.choice(["tcp", "udp"])], "direction": ["bidirectional"]},
            links={"uplink": {"under_test": "dome eth1", "far": "hall eth1", "rate": "100Mbit/s", "isolated": True}},
            trial={"length": f"{length_s:g}s", "warmup": "300ms", "settle": "50ms", "replicates": 1},
            lease="5s",
        )
    )
    try:
        run = bench.wait_for("trial 1 of 1", 60.0)
        began_s = _first_interval(run)
        moment_s = draw.uniform(0.25, 0.75) * length_s
        time.sleep(max(0.0, began_s + moment_s - time.monotonic()))
    finally:
        kill_hard(process, bench)
    seen.killed_after_s = time.monotonic() - began_s
    before_kill = _check_journal(run, seen)
    code = bench.lab.run(
        [*LINKTRIAL, "resume", str(run), "--ssh-config", bench.lab.ssh_config],
        capture_output=True,
        text=True,
        timeout=length_s + 110,
    )
    if code.returncode not in (0, 1):  # 1: suspect, on a machine that has other work
        seen.problems.append(f"resume ended with {code.returncode}: {code.stderr[-1500:]}{code.stdout[-500:]}")
    _check_tables(run, before_kill, length_s, seen)
    after = {host: bench.links_and_addresses(host) for host in HOSTS}
    traces = [bench.traces(host) for host in HOSTS]
    if after != before or any(traces):
        seen.problems.append(f"the hosts are not as found: {traces}")
    return seen


def lines_of(run: Path) -> Iterator[IntervalLine]:
    """What the journal holds of what the plan's trials measured, not the rehearsal."""
    with journal_path(run).open("rb") as file:
        for line in Walk(file):
            if line.kind == INTERVALS and (found := line_from(json.loads(line.text)["body"])).position > 0:
                yield found


def _first_interval(run: Path) -> float:
    """When the window of the only trial began at the latest, by our own monotonic clock."""
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        lines = list(lines_of(run))
        if lines:
            return time.monotonic() - max((t_s for line in lines for _, t_s, _, _ in line.received()), default=0.0)
        time.sleep(0.05)
    raise AssertionError("no interval within a minute")


def _check_journal(run: Path, seen: Seen) -> dict[str, list[tuple[float, int]]]:
    """(t_s, octets) of each way before the kill, which must be without a gap and up to date."""
    ways: dict[str, list[tuple[float, int]]] = {}
    for line in lines_of(run):
        seen.lines += 1
        for way, t_s, octets, _ in line.received():
            ways.setdefault(way, []).append((t_s, octets))
    for way in ("transmit", "receive"):
        times = [t_s for t_s, _ in ways.get(way, [])]
        if times != [round((place + 1) / 10, 6) for place in range(len(times))]:
            seen.problems.append(f"{way}: intervals are missing among {len(times)}")
        seen.behind_s = max(seen.behind_s, seen.killed_after_s - max(times, default=0.0))
    if seen.behind_s > MOST_BEHIND_S:
        seen.problems.append(f"the journal was {seen.behind_s:.1f} s behind when the controller was killed")
    return ways


def _check_tables(run: Path, before_kill: dict[str, list[tuple[float, int]]], length_s: float, seen: Seen) -> None:
    """Both attempts' intervals are in the table, told apart; only the second one has rows and figures."""
    rows = trials_of(run)
    said = [(row["way"], row["attempt"]) for row in rows if row["status"] in ("valid", "suspect")]
    if sorted(said) != [("receive", "2"), ("transmit", "2")]:
        seen.problems.append(f"trials.csv has {said}: {[row['reason'] for row in rows]}")
    found: dict[tuple[str, str], list[tuple[float, int]]] = {}
    with gzip.open(run / "series.csv.gz", "rt", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault((row["role"], row["way"]), []).append((float(row["t_s"]), int(row["bytes"])))
    for way, intervals in before_kill.items():
        if found.get(("broken_off", way)) != intervals:
            seen.problems.append(f"{way}: series.csv.gz has not what was measured before the kill")
        whole = found.get(("measure", way), [])
        if len(whole) != round(10 * length_s):
            seen.problems.append(f"{way}: {len(whole)} intervals of the repeated trial")
    seen.problems += _goodput_problems(rows, found)
    report = (run / "report.md").read_text()
    if "was broken off after" not in report or "was broken off after" not in (run / "report.html").read_text():
        seen.problems.append("the report does not tell of the attempt that was broken off")
    if len(trials_of(run, "broken-off.csv")) != 2:
        seen.problems.append("broken-off.csv does not have a row for each way")


def _goodput_problems(rows: list[dict[str, str]], found: dict[Any, list[tuple[float, int]]]) -> list[str]:
    """The row's goodput rests on the second attempt's intervals, and on nothing else."""
    problems = []
    for row in rows:
        octets = sum(size for _, size in found.get(("measure", row["way"]), []))
        goodput = 8 * octets / float(row["seconds"])
        if abs(goodput - float(row["goodput_bit_s"])) > 1e-4 * goodput:
            problems.append(f"{row['way']}: {row['goodput_bit_s']} bit/s, its intervals say {goodput:.0f}")
    return problems
