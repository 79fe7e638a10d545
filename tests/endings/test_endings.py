"""However a suite ends, its hosts are told, its commands agree, and `resume` completes it: a bounded, seeded sample."""

from __future__ import annotations

import subprocess
import sys

import pytest

SEED, EACH = 7, 2


@pytest.mark.parametrize("first", [0, 2, 4, 6], ids=["complete, interrupt", "interrupt twice, terminate",
                                                     "disk full, killed", "unreachable, busy"])
def test_however_a_suite_ends_its_hosts_are_told_and_resume_completes_it(first: int) -> None:
    """In a process of its own, because it forks; the long form is tests/proofs.sh endings."""
    played = subprocess.run([sys.executable, "-m", "tests.endings.play", str(EACH), str(SEED), str(first)],
                            capture_output=True, text=True, timeout=110, check=False)
    assert played.returncode == 0, played.stdout + played.stderr
