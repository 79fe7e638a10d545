"""A lease that is too short for what SSH has to share is refused with the least that works, and no other is."""

from __future__ import annotations

import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import Plan, PlanProblems, load
from orchestrator.planning.min_lease import (
    CONFIRM_S,
    CONNECT_S,
    FLOOD_LOSS_RATIO,
    LATEST_BACK_S,
    LEASE_LOST_ODDS,
    LONGEST_PAUSE_S,
    OFTENEST_S,
    SOONEST_BACK_S,
    UNANSWERED_S,
    confirm_s,
    longest_pause_s,
    min_for_change_s,
    min_for_flood_s,
)
from orchestrator.planning.order import SplitMix
from orchestrator.planning.outline import outline
from orchestrator.words.units import DURATION, format_as

FLOOD, CALM = "factors: {transport: [udp]}", "factors: {transport: [udp], intended_load: [10Mbit/s]}"
CHANGE, DROP = "factors: {mtu: [1400]}", "hold: [{setting: speed, at: 'dome eth0', level: 100Mbit/s}]"
QUIET = "hold: [{setting: transmit-queue-length, at: 'dome eth0', level: 500}]"


def of(rest: str, lease_s: float, *, ssh: str = "192.0.2.1") -> Plan:
    """A plan of one link with addresses, one of which SSH may go to."""
    text = (
        f"plan: short\nhosts: {{dome: {{ssh: '{ssh}', privilege: root}}, hall: {{ssh: hall, privilege: root}}}}\n"
        "links: {uplink: {under_test: 'dome eth0', far: 'hall eth0', isolated: true, rate: 1Gbit/s, "
        f"address: {{under_test: 192.0.2.1, far: 192.0.2.2}}}}}}\nlease: {lease_s:g}s\n{rest}\n"
    )
    return load(text, catalogue=CATALOGUE)


@pytest.mark.parametrize(
    ("rest", "min_s"),
    [
        (FLOOD, min_for_flood_s()),
        (CHANGE, min_for_change_s(SOONEST_BACK_S)),
        (DROP, min_for_change_s(SOONEST_BACK_S)),
        (QUIET, min_for_change_s(0.0)),
        (CALM, 2.0),
        ("factors: {transport: [udp], intended_load: [100%]}", min_for_flood_s()),
        ("factors: {transport: [udp], intended_load: [99%]}", 2.0),
        ("factors: {transport: [udp], intended_load: [1Gbit/s]}", min_for_flood_s()),
        ("factors: {transport: [udp], intended_load: [search]}", min_for_flood_s()),
        ("factors: {transport: [tcp]}", 2.0),
    ],
)
def test_where_ssh_goes_to_an_end_check_refuses_a_shorter_lease_and_names_the_min_that_works(
    rest: str, min_s: float
) -> None:
    assert of(rest, min_s).lease_s == min_s
    assert of(rest, 2.0, ssh="dome").lease_s == 2.0, "where SSH goes is not known, so `run` looks"
    if min_s > 2.0:
        with pytest.raises(PlanProblems) as raised:
            of(rest, min_s - 0.1)
        [problem] = raised.value.problems
        assert f"write lease: {format_as(DURATION, min_s)} or more" in problem.suggestion
        assert problem.source.startswith("lease: ")
        assert "SSH reaches dome over eth0" in problem.message


def test_where_check_cannot_know_it_says_what_run_will_refuse() -> None:
    found = {caution.code: caution for caution in outline(of(FLOOD, 3.0, ssh="dome"), CATALOGUE).cautions}
    assert f"a lease of at least {min_for_flood_s():g}s" in found["short-lease"].text
    assert "dome eth0, hall eth0" in found["short-lease"].text
    assert "short-lease" not in {one.code for one in outline(of(FLOOD, 30.0, ssh="dome"), CATALOGUE).cautions}


def test_with_the_min_lease_or_a_longer_one_a_good_change_is_confirmed_before_it_ends() -> None:
    dice = SplitMix(5)
    for _ in range(300):
        back_s = dice.below(1 + round(10 * LATEST_BACK_S)) / 10  # the link is back, and a session is opened
        lease_s = min_for_change_s(back_s) + dice.below(100_000) / 100
        waits_s = confirm_s(lease_s)
        assert back_s + CONNECT_S <= waits_s + 1e-9
        assert waits_s <= min(CONFIRM_S, 0.9 * lease_s)
        if lease_s >= 2 * (LATEST_BACK_S + CONNECT_S):
            assert waits_s + back_s + CONNECT_S <= lease_s, "one that cut us off: we are back before it ends"


def test_the_min_lease_in_a_flood_is_not_lost_once_in_a_million_times() -> None:
    datagrams = (min_for_flood_s() - UNANSWERED_S) / OFTENEST_S
    assert FLOOD_LOSS_RATIO**datagrams <= LEASE_LOST_ODDS


@pytest.mark.parametrize("lease_s", [2.0, 10.0, 300.0, 86_400.0])
def test_a_lost_host_is_tried_again_within_a_fraction_of_the_lease_while_it_may_wait_for_us(lease_s: float) -> None:
    assert longest_pause_s(lease_s, may_hold=True) <= min(lease_s / 10, LONGEST_PAUSE_S)
    assert longest_pause_s(lease_s, may_hold=False) == LONGEST_PAUSE_S
