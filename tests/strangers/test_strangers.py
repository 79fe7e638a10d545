"""A stranger's folder or plan is data: a bounded, seeded sample; the long form is tests/proofs.sh strangers."""

from __future__ import annotations

import subprocess
import sys

import pytest

pytestmark = pytest.mark.timeout(300)


def _played(*words: str) -> str:
    """In a process of its own, because it forks and sets its own home."""
    played = subprocess.run([sys.executable, "-m", *words], capture_output=True, text=True, timeout=280, check=False)
    assert played.returncode == 0, played.stdout + played.stderr
    return played.stdout


def test_a_strangers_folder_ends_every_command_in_a_sentence_and_touches_nothing_outside() -> None:
    told = _played("tests.strangers.play", "3", "7")
    assert "folders with a broken promise: 0" in told


def test_closed_files_and_journals_told_in_another_order_are_no_fault_of_ours() -> None:
    told = _played("tests.strangers.play", "4", "3", "7", "--whole-every", "2", "--only", "closed", "story")
    assert "folders with a broken promise: 0" in told


def test_a_strangers_plan_is_a_plan_or_located_problems_in_the_whole_command() -> None:
    told = _played("tests.strangers.plans", "60", "7")
    assert "plans with a broken promise: 0" in told
