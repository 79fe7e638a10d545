"""Runs of plans on guests, as a user would start them: through the command line, in the controller's place."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

from orchestrator.lab.guests.machines import Machines

# Emulation carries 300 to 500 Mb/s, but not at every moment: with a slower switch the switch is what is measured.
UPLINK_RATE_BIT_S = 100_000_000
_PLAN = """\
plan: {name}
purpose: Which frame size fills the link between two guests?
hosts:
  dome: {{ssh: dome, privilege: root}}
  hall: {{ssh: hall, privilege: root}}
links:
  uplink: {{under_test: dome eth1, far: hall eth1, rate: {rate}bit/s, ports: 20000-20063, isolated: true}}
{rest}
"""


def plan(rest: str, name: str = "guests", rate_bit_s: int = UPLINK_RATE_BIT_S) -> str:
    """A plan on both guests; `rest` has the factors and how trials run."""
    return _PLAN.format(name=name, rate=rate_bit_s, rest=rest)


def run(
    machines: Machines, out: Path, text: str, *options: str, timeout_s: float = 240
) -> tuple[subprocess.CompletedProcess[str], Path]:
    """`linktrial run`; how it ended and its folder."""
    file = out / "plan.yaml"
    file.write_text(text)
    done = linktrial(machines, "run", str(file), "--out", str(out / "runs"), *options, timeout_s=timeout_s)
    assert (out / "runs").exists(), done.stderr
    (folder,) = (out / "runs").iterdir()
    return done, folder


def linktrial(machines: Machines, *words: str, timeout_s: float = 120) -> subprocess.CompletedProcess[str]:
    """A command of ours in the controller's place."""
    return machines.run(
        [sys.executable, "-P", "-m", "orchestrator.cli", *words, "--ssh-config", machines.ssh_config],
        capture_output=True,
        text=True,
        check=False,
        timeout=timeout_s,
    )


def rows(folder: Path) -> list[dict[str, str]]:
    """The run's trials."""
    return list(csv.DictReader((folder / "trials.csv").read_text().splitlines()))


def as_found(folder: Path) -> dict[str, bool]:
    """Host -> whether it was verified to be as it was found."""
    record = json.loads((folder / "run.json").read_text())
    return {host: found["ok"] for host, found in record["as_found"].items()}
