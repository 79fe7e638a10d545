"""`lease` after the last word a host restores itself, during a trial of any length: a seeded sample."""

from __future__ import annotations

from tests.sim.lease_deaths import death, play

DEATHS, SEED = 40, 1


def test_whenever_the_controller_dies_in_a_trial_of_any_length_the_hosts_are_as_found_by_the_lease():
    cases = [death(SEED * 1000 + number) for number in range(DEATHS)]
    found = {case: play(case) for case in cases}
    assert {case: one.problem for case, one in found.items() if one.problem} == {}
    assert sum(one.struck for one in found.values()) > DEATHS / 3, "or nothing was tried"
