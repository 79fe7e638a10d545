"""A plan in, a matrix out, hosts as they were."""

from __future__ import annotations

import json
import os
import re
import signal

import pytest

from tests.spine.bench import LINKTRIAL, Bench, plan_text, trials_of

pytestmark = pytest.mark.lab


def test_a_run_measures_every_cell_and_leaves_hosts_as_found(bench: Bench):
    before = {host: bench.links_and_addresses(host) for host in ("dome", "hall")}
    directions = ["transmit", "receive", "bidirectional"]
    done, folder = bench.run(plan_text(factors={"mtu": [1500, 9000], "direction": directions}))
    assert done.returncode == 0, done.stderr
    assert " debug " not in (folder / "log.txt").read_text()
    rows = trials_of(folder)
    assert len(rows) == 2 * (1 + 1 + 2)
    assert {row["status"] for row in rows} == {"valid"}
    assert all(float(row["goodput_bit_s"]) > 0 for row in rows)
    assert all(float(row["fill"]) <= 1.003 for row in rows)
    assert {host: bench.links_and_addresses(host) for host in ("dome", "hall")} == before
    assert [bench.traces(host) for host in ("dome", "hall")] == [[], []]


def test_the_runs_folder_holds_what_it_promises_and_is_private(bench: Bench):
    done, folder = bench.run(plan_text(), "--debug")
    assert done.returncode == 0, done.stderr
    the_log_has_time_level_and_every_message((folder / "log.txt").read_text().splitlines())
    assert " asked, " not in done.stderr, "messages go to the log alone"
    names = {path.name for path in folder.iterdir()}
    assert {
        "plan.yaml",
        "run.json",
        "journal.jsonl",
        "trials.csv",
        "hosts.csv",
        "cells.csv",
        "series.csv.gz",
        "watch.csv.gz",
        "counters.csv.gz",
        "columns.json",
        "log.txt",
        "charts",
        "report.html",
        "report.md",
        "survey-before.json",
        "survey-after.json",
    } <= names
    assert folder.stat().st_mode & 0o077 == 0
    assert (folder / "journal.jsonl").stat().st_mode & 0o077 == 0
    run = json.loads((folder / "run.json").read_text())
    assert run["exit"] == 0
    assert all(found["ok"] for found in run["as_found"].values())
    shown = json.loads(bench.linktrial("show", folder, "--json").stdout)
    assert (shown["trials"], shown["statuses"]) == (2, {"valid": 2})  # the rehearsal's trials are not counted


LOG_LINE = re.compile(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00 (debug|info|warning|error) +\S.*")


def the_log_has_time_level_and_every_message(lines: list[str]) -> None:
    assert [line for line in lines if not LOG_LINE.fullmatch(line)] == []
    for host in ("dome", "hall"):
        for verb in ("lease.acquire", "prepare", "apply", "verify", "restore", "lease.release"):
            told = [line for line in lines if f" {host} " in line and f" {verb}: " in line]
            asked, answered = [[line for line in told if f" {word}, " in line] for word in ("asked", "done")]
            assert len(asked) == len(answered) > 0, (host, verb)
    assert [line for line in lines if re.search(r"[0-9a-f]{32}", line)] == [], "no key and no token is told"


@pytest.mark.alone
def test_udp_and_both_families_are_measured(bench: Bench):
    done, folder = bench.run(
        plan_text(
            trial={"length": "1s", "warmup": "500ms", "settle": "50ms", "replicates": 1},
            factors={
                "ip": [4, 6],
                "transport": ["tcp", "udp"],
                "intended_load": {"levels": ["200Mbit/s"], "only": {"transport": "udp"}},
            },
            hold=[{"setting": "mtu", "at": "both", "level": 1500}],
        )
    )
    assert done.returncode == 0, done.stderr
    rows = {(row["ip"], row["transport"]): row for row in trials_of(folder)}
    assert len(rows) == 4
    for family in "46":
        udp = rows[family, "udp"]
        assert float(udp["goodput_bit_s"]) == pytest.approx(200e6, rel=0.03)
        assert int(udp["datagrams_lost"]) == 0


def test_a_closed_terminal_does_not_stop_a_run(bench: Bench):
    reading, writing = os.pipe()
    words = ["run", str(bench.write(plan_text())), "--out", str(bench.out), "--ssh-config", bench.lab.ssh_config]
    process = bench.lab.start([*LINKTRIAL, *words], stdout=writing, stderr=writing)
    os.close(writing)
    bench.wait_for("trial 1 of 2")
    os.close(reading)  # whoever read what the run says is gone
    bench.signal(signal.SIGHUP)
    code = process.wait(timeout=60)
    assert [(row["status"], row["reason"]) for row in trials_of(bench.newest())] == [("valid", "")] * 2
    assert code == 0
