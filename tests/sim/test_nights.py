"""Seeded nights: whatever goes wrong, every host ends as it was found, or the run says that it does not."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.sim.sim import FAULTS, Night

SEEDS = 500


def test_a_quiet_night_measures_every_trial_and_leaves_every_host_as_found():
    night = Night(1, faults={})
    outcome = night.run()
    assert outcome.exit_codes == [0]
    assert outcome.violations == []
    assert {position: o["status"] for position, o in outcome.state.outcomes.items()} == {
        position: "valid" for position in range(1, len(night.setup.schedule) + 1)}
    assert {name: host.values for name, host in night.hosts.items()} == night.before
    assert all(host.record is None and not host.keeper for host in night.hosts.values())


@pytest.mark.parametrize("seed", range(2, 12))
def test_a_bad_night_ends_as_its_exit_code_says(seed):
    night = Night(seed)
    outcome = night.run()
    assert outcome.violations == []
