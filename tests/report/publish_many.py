"""Publishes many runs full of secrets and searches the copies: `python tests/report/publish_many.py COUNT SEED`."""

from __future__ import annotations

import sys
import tempfile
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.report.planted import KINDS
from tests.report.published import faults_of_the_copy


def main(count: int, first: int) -> int:
    """How many seeds had a fault, at most 1."""
    planted = wrong = 0
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory(prefix="linktrial-public-") as below:
            try:
                faults, here = faults_of_the_copy(Path(below), seed)
            except Exception:
                traceback.print_exc(limit=-3)
                faults, here = ["the copy was not made"], 0
        planted += here
        wrong += bool(faults)
        for fault in faults:
            print(f"seed {seed}: {fault}", flush=True)
    print(
        f"{count} runs from seed {first}: {planted} secrets of {len(KINDS)} kinds planted, {wrong} copies with a fault"
    )
    return min(wrong, 1)


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]), int(sys.argv[2])))
