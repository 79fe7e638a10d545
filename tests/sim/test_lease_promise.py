"""`lease` after the last word a host restores itself, during a trial of any length: a seeded sample."""

from __future__ import annotations

import asyncio

import pytest

from orchestrator.planning.min_lease import longest_pause_s
from orchestrator.planning.order import SplitMix
from tests.sim.lease_deaths import death, play
from tests.sim.stage import LEASE_S, Stage

DEATHS, SEED = 40, 1
A_TRY_S = 1.0


def test_whenever_the_controller_dies_in_a_trial_of_any_length_the_hosts_are_as_found_by_the_lease():
    cases = [death(SEED * 1000 + number) for number in range(DEATHS)]
    found = {case: play(case) for case in cases}
    assert {case: one.problem for case, one in found.items() if one.problem} == {}
    assert sum(one.struck for one in found.values()) > DEATHS / 3, "or nothing was tried"


@pytest.mark.parametrize("seed", range(4))
def test_a_host_that_can_be_reached_again_before_its_lease_is_over_still_waits_for_us(seed: int):
    left_s = longest_pause_s(LEASE_S, may_hold=True) + A_TRY_S + SplitMix(seed).below(100) / 10

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(2)
        stage.cut("dome")
        await asyncio.sleep(stage.deadline_s("dome") - stage.now() - left_s)
        stage.mend("dome")
        assert await stage.exit_code() == 0
        assert stage.rejoined("dome") == ["kept"]

    Stage().play(scene)
