"""The demo does the whole job and leaves what it promises."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.words.exit_codes import Exit

_LINKTRIAL = [sys.executable, "-m", "orchestrator.cli"]


@pytest.mark.lab
@pytest.mark.alone
def test_the_demo_ends_with_the_matrix_a_report_and_both_hosts_as_found(tmp_path: Path) -> None:
    done = subprocess.run(
        [*_LINKTRIAL, "demo", "--out", str(tmp_path), "--seconds", "1", "--replicates", "1"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == Exit.COMPLETE, done.stderr
    (run,) = tmp_path.iterdir()
    assert f"{run}/report.html" in done.stdout
    for mtu in ("1500", "9000"):
        assert mtu in done.stdout
    record = json.loads((run / "run.json").read_text())
    assert {host: found["ok"] for host, found in record["as_found"].items()} == {"dome": True, "hall": True}
    assert record["lab"]["server"] == "asyncssh"
    rows = list(csv.DictReader((run / "trials.csv").read_text().splitlines()))
    assert {(row["mtu"], row["transport"], row["way"], row["streams"]) for row in rows} == {
        *((mtu, "tcp", way, "") for mtu in ("1500", "9000") for way in ("transmit", "receive")),
        *((mtu, "udp", "transmit", streams) for mtu in ("1500", "9000") for streams in ("1", "4")),
    }
    # payload / (MTU + 38): a shaper that counts otherwise would show here; a busy machine only ever shows less
    assert max(float(row["fill"]) for row in rows) <= 1.003


@pytest.mark.lab
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, Exit.TERMINATED), (signal.SIGINT, Exit.INTERRUPTED)])
def test_an_interrupted_demo_puts_its_hosts_back_before_it_takes_the_lab_down(
    tmp_path: Path, number: signal.Signals, code: Exit
) -> None:
    with subprocess.Popen(
        [*_LINKTRIAL, "demo", "--out", str(tmp_path), "--seconds", "5"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    ) as demo:
        assert demo.stderr
        said = ""
        while "trial 1 of" not in said:
            line = demo.stderr.readline()
            assert line, said
            said += line
        if number == signal.SIGINT:  # as a terminal does it: to the whole process group
            os.killpg(demo.pid, number)
        else:
            demo.send_signal(number)
        said += demo.stderr.read()
        assert demo.wait() == code, said
    assert said.count("restored and verified as found") == 2


@pytest.mark.lab
def test_a_folder_that_the_lab_would_hide_is_refused() -> None:
    done = subprocess.run(
        [*_LINKTRIAL, "demo", "--out", "/run/linktrial-test-out"], capture_output=True, text=True, check=False
    )
    assert done.returncode == Exit.PLAN_WRONG
    assert "would be lost" in done.stderr
