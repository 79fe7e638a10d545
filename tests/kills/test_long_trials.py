"""A controller that dies in the middle of a trial loses no interval; `bash tests/proofs.sh long` takes its time."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from tests.kills.long_trial import play
from tests.spine.bench import Bench

pytestmark = pytest.mark.lab


def test_a_controller_killed_in_a_trial_loses_no_interval_and_the_trial_is_repeated(lab: Lab, tmp_path: Path):
    seen = play(Bench(lab, tmp_path), 12.0, seed=3)
    assert seen.problems == []
    assert seen.lines > 2
