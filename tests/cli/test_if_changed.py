"""`run --if-changed kernel`: no traffic for the kernel that was measured, and the comparison for another one."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab

PLAN = """plan: frames
hosts:
  dome: {ssh: dome, privilege: root}
  hall: {ssh: hall, privilege: root}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s, isolated: true}
factors:
  mtu: [1500]
  direction: [transmit]
trial: {length: 1s, warmup: 0s, settle: 0s, replicates: 2}
"""


def linktrial(lab: Lab, *words: object) -> subprocess.CompletedProcess[str]:
    return lab.run(
        [sys.executable, "-m", "orchestrator.cli", *map(str, words), "--ssh-config", lab.ssh_config],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        timeout=110,
    )


def as_another_kernel(run: Path, copy: Path, faster: float = 1.0) -> Path:
    """The run as one of another kernel; `faster` multiplies what it carried."""
    shutil.copytree(run, copy)
    record = json.loads((copy / "run.json").read_text())
    record["run_id"] += "-older"
    record["hosts"]["dome"]["facts"]["kernel"] = "5.10.0-older"
    (copy / "run.json").write_text(json.dumps(record))
    lines = (copy / "trials.csv").read_text().splitlines()
    column = lines[0].split(",").index("goodput_bit_s")
    rows = [line.split(",") for line in lines[1:]]
    assert all(len(row) == len(lines[0].split(",")) for row in rows)
    for row in rows:
        row[column] = repr(float(row[column]) * faster)
    (copy / "trials.csv").write_text("\n".join([lines[0], *(",".join(row) for row in rows), ""]))
    return copy


@pytest.mark.lab
def test_plans_run_again_only_for_another_kernel_and_only_when_they_measure_the_same(lab: Lab, tmp_path: Path) -> None:
    suite = tmp_path / "plans"
    suite.mkdir()
    plan, out = suite / "frames.yaml", tmp_path / "runs"
    plan.write_text(PLAN)
    assert linktrial(lab, "run", plan, "--out", out).returncode == 0
    (first,) = out.iterdir()
    record = json.loads((first / "run.json").read_text())
    for host in ("dome", "hall"):
        identity = record["hosts"][host]["facts"]["kernel_identity"]
        assert identity["release"] == record["hosts"][host]["facts"]["kernel"]

    same = linktrial(lab, "run", plan, "--out", out, "--if-changed", "kernel", "--reference", first)
    assert same.returncode == 0, same.stderr
    assert "nothing is run" in same.stdout
    assert list(out.iterdir()) == [first]

    faster = as_another_kernel(first, tmp_path / "faster", faster=10)
    (suite / "second.yaml").write_text(PLAN.replace("plan: frames", "plan: second"))
    unknown = linktrial(lab, "run", suite, "--out", out, "--if-changed", "kernel", "--reference", faster)
    assert unknown.returncode == 2
    assert "no reference run is of the plan 'second'" in unknown.stderr

    second = as_another_kernel(faster, tmp_path / "both" / "second")
    renamed = json.loads((second / "run.json").read_text())
    (second / "run.json").write_text(json.dumps({**renamed, "plan_name": "second"}))
    shutil.copytree(faster, tmp_path / "both" / "frames")
    worse = linktrial(
        lab, "run", suite, "--out", tmp_path / "worse", "--if-changed", "kernel", "--reference", tmp_path / "both"
    )
    assert worse.returncode == 1, worse.stdout + worse.stderr
    assert worse.stdout.count("worse (1):") == 2
    assert worse.stdout.count("dome: kernel: 5.10.0-older -> ") == 2
    assert re.search(r"not the same on both sides:\n +dome: kernel: 5.10.0-older in the reference", worse.stdout)
    assert len(list((tmp_path / "worse").glob("*/*/run.json"))) == 2

    plan.write_text(PLAN.replace("length: 1s", "length: 2s"))  # measures something else: refused before it runs
    refused = linktrial(lab, "run", plan, "--out", out, "--if-changed", "kernel", "--reference", first)
    assert refused.returncode == 2
    assert "length of a trial in s was 1.0 and is 2.0" in refused.stderr
    assert list(out.iterdir()) == [first]


def test_a_reference_without_the_question_is_refused(tmp_path: Path) -> None:
    (tmp_path / "frames.yaml").write_text(PLAN)
    words = ["run", str(tmp_path / "frames.yaml"), "--reference", str(tmp_path)]
    done = subprocess.run(
        [sys.executable, "-m", "orchestrator.cli", *words],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert done.returncode == 2
    assert "add --if-changed kernel" in done.stderr
