"""How long a report takes, how much memory and how large a page, from 100 to 100,000 trials; prints, asserts nothing.

    python tests/benchmarks/report_size.py [trials ...]

Each size is measured in a process of its own, so that its greatest memory is its own. The bounds of the design are
printed beside the figures: 1,000 trials make a page under 2 MB; 100,000 are written in under 10 s and 1 GB.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))

from tests.results.synthetic import Scenario, make_run  # noqa: E402 - after the path it stands on

SIZES = (100, 1_000, 10_000, 100_000)
_GREATEST_WITH_SERIES = 1_000


def scenario_of(trials: int) -> Scenario:
    """A plan with about that many trials: more cells first, then more replicates."""
    streams = max(1, min(trials // 40, 500))
    return Scenario(
        {
            "mtu": [1500, 9000],
            "clock": ["powersave", "performance"],
            "streams": list(range(1, streams + 1)),
            "direction": ["transmit", "receive"],
        },
        replicates=max(1, trials // (8 * streams)),
        series=trials <= _GREATEST_WITH_SERIES,
    )


def measure(folder: Path) -> None:
    """Write the report of one run and print what it took, as JSON."""
    from orchestrator.report import write_report

    began, busy = time.perf_counter(), time.process_time()
    write_report(folder)
    print(
        json.dumps(
            {
                "elapsed_s": time.perf_counter() - began,
                "processor_s": time.process_time() - busy,
                "page_bytes": (folder / "report.html").stat().st_size,
                "memory_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
            }
        )
    )


def main() -> None:
    """Measure each size and print a line for it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("trials", nargs="*", type=int, default=list(SIZES))
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        measure(asked.measure)
        return
    print(f"{'trials':>8} {'cells':>6} {'elapsed':>9} {'processor':>9} {'memory':>9} {'page':>9}")
    for trials in asked.trials:
        with tempfile.TemporaryDirectory() as place:
            scenario = scenario_of(trials)
            folder = make_run(Path(place), scenario)
            cells = 8 * len(scenario.factors["streams"])
            done = subprocess.run(
                [sys.executable, __file__, "--measure", str(folder)],
                check=True,
                text=True,
                capture_output=True,
                cwd=ROOT,
            )
            found = json.loads(done.stdout)
            print(
                f"{cells * scenario.replicates:>8} {cells:>6} {found['elapsed_s']:>7.1f} s "
                f"{found['processor_s']:>7.1f} s {found['memory_bytes'] / 1e6:>6.0f} MB "
                f"{found['page_bytes'] / 1e6:>6.2f} MB",
                flush=True,
            )


if __name__ == "__main__":
    main()
