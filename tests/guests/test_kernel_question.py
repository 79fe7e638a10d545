"""Debian's kernels of two series on a guest: run again after the change and only then, and it is named first."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from orchestrator.lab.guests.machines import Machines
from tests.guests.runs import linktrial, plan, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_REST = """\
factors: {mtu: [1500], direction: [transmit]}
trial: {length: 1s, warmup: 0s, settle: 0s, replicates: 2}
"""


def test_another_kernel_series_runs_the_plan_again_and_is_told_before_every_other_difference(
    observatory: Machines, tmp_path: Path
) -> None:
    dome = observatory["dome"]
    old = dome.output("uname -r").strip()
    new = next(line.removeprefix("/boot/vmlinuz-") for line in dome.output("ls /boot/vmlinuz-6.12*").split())
    first_run, first = run(observatory, tmp_path, plan(_REST, "kernel"))
    assert first_run.returncode == 0, first_run.stderr
    asked = ("run", str(tmp_path / "plan.yaml"), "--if-changed", "kernel", "--reference")

    same = linktrial(observatory, *asked, str(first), "--out", str(tmp_path / "none"))
    assert same.returncode == 0, same.stderr
    assert f"dome: {old}" in same.stdout
    assert not (tmp_path / "none").exists()

    dome.output(f"echo {new} >/boot/choice")
    dome.reboot()  # the guests end with this file: nothing to restore
    again = linktrial(observatory, *asked, str(first), "--out", str(tmp_path / "again"))
    assert f"dome: kernel: {old} -> {new}" in again.stdout, again.stderr
    assert "dome: kernel configuration: " in again.stdout
    assert again.returncode == (1 if re.search(r"^worse \(", again.stdout, re.MULTILINE) else 0), again.stdout
    (second,) = (tmp_path / "again").iterdir()
    differences = again.stdout.split("not the same on both sides:\n", 1)[1].splitlines()
    assert differences[0].strip() == f"dome: kernel: {old} in the reference, {new} in the candidate"
    assert not any("hall: kernel" in line for line in differences)
    still = linktrial(observatory, *asked, str(second), "--out", str(tmp_path / "none"))
    assert still.returncode == 0
    assert "nothing is run" in still.stdout
