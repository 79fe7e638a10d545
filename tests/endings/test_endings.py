"""However a suite ends, its hosts are told, its commands agree, and `resume` completes it: a bounded, seeded sample."""

from __future__ import annotations

import subprocess
import sys

import pytest

SEED = 138  # whose accidents strike in the middle of suites of one and two plans


@pytest.mark.parametrize("number", [1, 4, 5, 6], ids=["interrupt", "disk full", "killed", "unreachable"])
def test_however_a_suite_ends_its_hosts_are_told_and_resume_completes_it(number: int) -> None:
    """In a process of its own, because it forks; the long form is tests/proofs.sh endings."""
    played = subprocess.run(
        [sys.executable, "-m", "tests.endings.play", "1", str(SEED), str(number)],
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    assert played.returncode == 0, played.stdout + played.stderr
