"""How long a survey of two hosts takes, from the command line to its last line; printed, never asserted.

    python tests/benchmarks/survey_time.py [ROUNDS]      (as root: the quota needs a control group)

Aims: under 3 s for two hosts, under 5 s when one of them has a tenth of a core. The hosts are the lab's; their SSH
servers run on the same machine. "With a plan" also proves the wiring and the path of a link.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from orchestrator.lab.board import FULL_SHARE_FILE
from orchestrator.lab.cpu_group import place_for_groups
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import observatory

PLAN = """plan: look
hosts: {dome: {ssh: dome, privilege: root}, hall: {ssh: hall, privilege: root}}
links: {uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s}}
factors: {mtu: [1500, 9000]}
"""
CLI = [sys.executable, "-m", "orchestrator.cli"]


def main() -> None:
    """Print one line per case."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as folder, Lab(server="asyncssh") as lab:
        plan = Path(folder, "look.yaml")
        plan.write_text(PLAN)
        show("two hosts", lab, ["dome", "hall"], rounds, 3)
        show("two hosts, with a plan", lab, [str(plan)], rounds, 3)
    if place_for_groups() is None:
        print("a tenth of a core: no control group can be made here")
        return
    with Lab(observatory(slow_board=True), server="asyncssh") as lab:
        lab.hosts["dome"].path(FULL_SHARE_FILE).write_text("0.1\n")
        time.sleep(0.5)  # the board looks at its clock files every 20 ms, now at a tenth of a core
        show("two hosts, one at a tenth of a core", lab, ["dome", "hall"], rounds, 5)


def show(what: str, lab: Lab, words: list[str], rounds: int, aim_s: float) -> None:
    """The median, the least and the greatest of some surveys."""
    taken = sorted(once_s(lab, words) for _ in range(rounds))
    print(
        f"{what:38} {statistics.median(taken):6.2f} s  ({taken[0]:.2f} .. {taken[-1]:.2f}), aim under {aim_s:g} s, "
        f"n = {rounds}"
    )


def once_s(lab: Lab, words: list[str]) -> float:
    """One survey, in seconds; whatever it finds is fine."""
    began = time.monotonic()
    done = lab.run([*CLI, "survey", *words, "--ssh-config", lab.ssh_config], stdout=subprocess.DEVNULL, timeout=60)
    taken = time.monotonic() - began
    if done.returncode not in (0, 1):
        raise SystemExit(f"the survey ended with {done.returncode}")
    return taken


if __name__ == "__main__":
    main()
