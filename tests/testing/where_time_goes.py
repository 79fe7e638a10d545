"""Where the time of a run of tests went: by folder and by test, from the JUnit files that pytest leaves.

python -m tests.testing.where_time_goes PASS=FILE...
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

SLOWEST_TESTS, SLOWEST_FOLDERS = 15, 10


def seconds_by_test(report: Path) -> Counter[str]:
    """Seconds of each test of one pass, set-up and end included, by its dotted name."""
    found: Counter[str] = Counter()
    for case in ElementTree.parse(report).iter("testcase"):  # noqa: S314 - written by pytest a moment ago
        found[f"{case.get('classname')}::{case.get('name')}"] += float(case.get("time", 0))  # type: ignore[assignment]
    return found


def folder_of(test: str) -> str:
    """`tests/sim` of `tests.sim.test_crashes::test_one`."""
    return "/".join(test.partition("::")[0].split(".")[:2])


def lines(passes: dict[str, Counter[str]]) -> list[str]:
    """What a person reads: folders, then tests, the slowest first."""
    tests: Counter[str] = sum(passes.values(), Counter())
    folders: Counter[str] = Counter()
    for test, seconds in tests.items():
        folders[folder_of(test)] += seconds
    told = ["where the time went (seconds of tests, side by side or not):"]
    told += [f"  {sum(found.values()):7.1f}  pass {name}: {len(found)} tests" for name, found in passes.items()]
    told += [f"  {seconds:7.1f}  {folder}" for folder, seconds in folders.most_common(SLOWEST_FOLDERS)]
    return told + [f"  {seconds:7.1f}  {test}" for test, seconds in tests.most_common(SLOWEST_TESTS)]


def main(words: list[str]) -> None:
    """Print it."""
    named = (word.partition("=") for word in words)
    sys.stdout.write("\n".join(lines({name: seconds_by_test(Path(file)) for name, _, file in named})) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
