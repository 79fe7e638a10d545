"""A host restores itself by its lease, whatever the trial's length and however the controller dies.

`bash tests/proofs.sh lease` plays hundreds of deaths with a lease of 10 s.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kills.lease_kills import lease_kill, play_side_by_side
from tests.kills.pairs import desks

pytestmark = pytest.mark.lab
# Six runs at once leave two cores time to renew: more of them, and a lease ends because nobody could speak.
CASES = (0, 4, 10, 14, 15, 21)  # every way, both control paths, trials of 5 s, a minute and ten
SIDE_BY_SIDE, SEED, LEASE_S = 6, 3, 5.0


def test_by_the_lease_every_host_is_as_found_and_sends_nothing_whatever_the_trials_length(tmp_path: Path):
    cases = [lease_kill(number, SEED) for number in CASES]
    with desks(SIDE_BY_SIDE, tmp_path) as places:
        outcomes = play_side_by_side(places, cases, LEASE_S)
    assert [problem for outcome in outcomes for problem in outcome.problems] == []
    struck = [outcome for outcome in outcomes if not outcome.before_death]
    assert len(struck) >= len(CASES) - 1, "or it was not tried"
    assert {outcome.case.way for outcome in struck} == {"killed", "stopped", "cut off", "unplugged"}
