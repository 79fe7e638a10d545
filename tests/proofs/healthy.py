#!/usr/bin/env python3
"""Trials on a link with nothing wrong: how many carry a doubt? `bash tests/proofs.sh healthy.py [REPLICATES]`.

The lab's two hosts on a switch at 200 Mb/s, both frame sizes, TCP and UDP at 90 % of the link, each direction. Prints
the doubts with their counts; exit code 1 when more than one trial in a hundred carries any. A part of a large number
of trials: run it again with another seed (`--seed`) and add up.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host
from tests.spine.bench import LINKTRIAL, Bench, plan_text, trials_of

RATE_BIT_S = 200_000_000
ALLOWED = 0.01
FACTORS = {
    "mtu": [1500, 9000],
    "transport": ["tcp", "udp"],
    "direction": ["transmit", "receive", "bidirectional"],
    "intended_load": {"levels": ["90%"], "only": {"transport": "udp"}},
}


def main() -> int:
    """Run, count, print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("replicates", type=int, nargs="?", default=12)
    options.add_argument("--seed", type=int, default=7)
    options.add_argument("--bound", type=float, default=280.0, help="seconds for the whole run")
    chosen = options.parse_args()
    plan = plan_text(
        factors=FACTORS,
        order={"seed": chosen.seed, "control": False},
        links={"uplink": {"under_test": "dome eth1", "far": "hall eth1", "rate": "200Mbit/s", "isolated": True}},
        trial={"length": "500ms", "warmup": "300ms", "settle": "50ms", "replicates": chosen.replicates},
    )
    scenario = Scenario((lab_host("dome", 11), lab_host("hall", 12)), RATE_BIT_S)
    with tempfile.TemporaryDirectory() as folder, Lab(scenario, server="openssh") as lab:
        bench = Bench(lab, Path(folder))
        done = lab.run(
            [*LINKTRIAL, "run", str(bench.write(plan)), "--out", str(bench.out), "--ssh-config", lab.ssh_config],
            capture_output=True,
            text=True,
            timeout=chosen.bound,
        )
        rows = trials_of(bench.newest())
    trials = {row["trial"]: row for row in rows}  # doubts and reason are the trial's own, the same in each way's row
    print(f"{len(trials)} trials, exit code {done.returncode}")
    doubtful = [row for row in trials.values() if row["doubts"]]
    for code, count in Counter(code for row in doubtful for code in row["doubts"].split()).most_common():
        print(f"  {code}: {count}")
    for status, count in Counter(row["status"] for row in trials.values()).items():
        print(f"  {status}: {count}")
    for row in doubtful[:10]:
        print(f"  trial {row['trial']}: {row['status']}: {row['reason']}")
    print(f"with a doubt: {len(doubtful)} of {len(trials)} = {len(doubtful) / len(trials):.2%} (allowed {ALLOWED:.0%})")
    return int(len(doubtful) > ALLOWED * len(trials))


if __name__ == "__main__":
    sys.exit(main())
