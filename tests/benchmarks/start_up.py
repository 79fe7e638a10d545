"""How long the command takes to start: medians in milliseconds beside a bare interpreter, printed, never asserted.

    python tests/benchmarks/start_up.py [ROUNDS]

Aims: `--help` under 150 ms, `check` under 300 ms. The runs of all commands take turns, so that a busy moment of the
machine falls on each alike.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

PLANS = Path(__file__).parents[2] / "plans"
CLI = [sys.executable, "-m", "orchestrator.cli"]
COMMANDS = {
    "bare interpreter": [sys.executable, "-c", "pass"],
    "linktrial --help": [*CLI, "--help"],
    "linktrial check": [*CLI, "check", str(PLANS / "mtu-and-direction.yaml")],
    "linktrial check (a suite of 3)": [*CLI, "check", str(PLANS / "kernel-regression")],
    "linktrial settings": [*CLI, "settings"],
    "linktrial schema": [*CLI, "schema"],
}
AIMS_MS = {"linktrial --help": 150, "linktrial check": 300}


def once_ms(argv: list[str]) -> float:
    """One run, in milliseconds."""
    start = time.monotonic()
    subprocess.run(argv, check=True, stdout=subprocess.DEVNULL)
    return (time.monotonic() - start) * 1000


def main() -> None:
    """Take turns and print the medians."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(rounds):
        for name, argv in COMMANDS.items():
            taken[name].append(once_ms(argv))
    bare = statistics.median(taken["bare interpreter"])
    print(f"{'command':32} {'median ms':>10} {'least ms':>9} {'x bare':>7} {'aim ms':>7}   n = {rounds}")
    for name, times in taken.items():
        median = statistics.median(times)
        print(f"{name:32} {median:10.0f} {min(times):9.0f} {median / bare:7.1f} {AIMS_MS.get(name, ''):>7}")


if __name__ == "__main__":
    main()
