"""SSH over the measured link itself: as much UDP as goes costs no session and no lease.

`bash tests/proofs.sh lease --floods` takes 30 s with a lease of 10 s.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from tests.kills.floods import LEAST_LOSS_RATIO, play

pytestmark = [pytest.mark.lab, pytest.mark.alone]
LENGTH_S, LEASE_S = 12.0, 6.0


@pytest.mark.parametrize(
    "older_kernel",
    [pytest.param(False, marks=pytest.mark.proof), True],
    ids=["a kernel that limits pauses", "a kernel that doubles every pause"],
)
def test_full_tilt_in_band_loses_no_session_and_no_lease(older_kernel: bool, tmp_path: Path):
    with Lab(server="openssh") as lab:
        flood = play(
            lab, tmp_path, length_s=LENGTH_S, direction="bidirectional", lease_s=LEASE_S, older_kernel=older_kernel
        )
    assert flood.exit_code == 0, flood.said
    assert flood.lost == {}, flood.said
    assert flood.loss_ratio > LEAST_LOSS_RATIO, "or it was no flood"
