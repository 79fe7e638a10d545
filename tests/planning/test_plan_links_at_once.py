"""Links at once are one cell on all of them; alone, each link has a cell of its own."""

from __future__ import annotations

import pytest

from orchestrator.decide.compose import compose
from orchestrator.planning import cells, schedule
from orchestrator.planning.changes import changes
from orchestrator.planning.rehearsal import rehearsal_cells
from tests.planning.planning_fakes import CATALOGUE, load, problem

TWO_PORTS = """\
plan: two-ports
hosts: {dome: {ssh: dome}, hall: {ssh: hall}}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 1Gbit/s}
  spare: {under_test: dome eth2, far: hall eth2, rate: 2Gbit/s}
"""


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ("[alone]", [("uplink",), ("spare",)]),
        ("[all]", [("uplink", "spare")]),
        ("[alone, all]", [("uplink",), ("uplink", "spare"), ("spare",)]),
        ("[[spare, uplink]]", [("spare", "uplink")]),
        ("[spare+uplink]", [("spare", "uplink")]),
    ],
)
def test_a_cell_runs_on_the_links_that_its_level_names(levels: str, expected: list[tuple[str, ...]]) -> None:
    found = cells(load(TWO_PORTS + f"factors: {{together: {levels}}}\n"))
    assert [cell.links for cell in found] == expected
    assert len({cell.key for cell in found}) == len(found)


def test_settings_are_changed_at_the_ends_of_every_link() -> None:
    found = cells(load(TWO_PORTS + "factors: {mtu: [9000], governor: [performance], together: [all]}\n"))
    assert sorted((use.host, use.selector, use.setting) for use in found[0].settings) == [
        ("dome", "", "governor"),
        ("dome", "eth1", "mtu"),
        ("dome", "eth2", "mtu"),
        ("hall", "", "governor"),
        ("hall", "eth1", "mtu"),
        ("hall", "eth2", "mtu"),
    ]


def test_a_setting_of_one_port_applies_when_that_port_runs_at_all() -> None:
    frame = '{setting: mtu, at: "dome eth2", levels: [1500, 9000]}'
    text = TWO_PORTS + f"factors: {{frame: {frame}, together: [alone, all]}}\n"
    found = {(cell.links, cell.levels["frame"]) for cell in cells(load(text))}
    assert found == {
        (("uplink",), None),
        (("spare",), 1500),
        (("spare",), 9000),
        (("uplink", "spare"), 1500),
        (("uplink", "spare"), 9000),
    }


def test_both_links_count_in_what_a_host_sends_and_the_time_does_not_count_twice() -> None:
    plan = load(TWO_PORTS + "factors: {together: [all]}\ntrial: {length: 9s, warmup: 1s, replicates: 1}\n")
    found = cells(plan)
    dome, hall = changes(plan, found, schedule(plan, found), CATALOGUE)
    assert dome.traffic_s == hall.traffic_s == 10
    assert dome.sends_bytes_at_most == hall.receives_bytes_at_most == 10 * (10**9 + 2 * 10**9) / 8


def test_temporary_addresses_are_given_to_the_ends_of_every_link() -> None:
    text = TWO_PORTS.replace("rate:", "address: temporary, rate:") + "factors: {together: [all]}\n"
    setup = compose(load(text), run_id="r", holder="me")
    assert [(use.host, use.selector) for use in setup.cells[0].settings] == [
        ("dome", "eth1"),
        ("hall", "eth1"),
        ("dome", "eth2"),
        ("hall", "eth2"),
    ]


def test_links_at_once_are_rehearsed_although_each_was_rehearsed_alone() -> None:
    found = cells(load(TWO_PORTS + "factors: {together: [alone, all]}\n"))
    assert [cell.links for cell in rehearsal_cells(found)] == [cell.links for cell in found]


@pytest.mark.parametrize(
    ("rest", "said"),
    [
        ("factors: {together: [[uplink, cellar]]}", "'cellar' is no link of this plan"),
        ("factors: {together: [[uplink]]}", "does not name two different links"),
        ("factors: {together: [uplink+uplink]}", "does not name two different links"),
        ("factors: {together: [yes]}", "does not name two different links"),
        ("factors: {together: [7]}", "neither alone, all, nor a list of links"),
        ("factors: {together: [{a: b}]}", "neither alone, all, nor a list of links"),
        ("factors: {together: [all], transport: [udp], intended_load: [search]}", "one link at a time"),
    ],
)
def test_what_cannot_run_together_is_said_at_plan_time(rest: str, said: str) -> None:
    assert said in problem(rest + "\n", head=TWO_PORTS).message


def test_a_plan_of_one_link_has_nothing_to_run_together() -> None:
    one = TWO_PORTS.replace("  spare: {under_test: dome eth2, far: hall eth2, rate: 2Gbit/s}\n", "")
    assert "the plan has one link" in problem("factors: {together: [all]}\n", head=one).message


def test_a_search_may_run_on_each_link_alone_beside_other_traffic_on_all() -> None:
    text = TWO_PORTS + (
        "factors: {together: [alone, all], transport: [tcp, udp], intended_load: [search]}\n"
        "leave_out: [{together: all, intended_load: search}]\n"
    )
    assert {(cell.links, cell.traffic["transport"]) for cell in cells(load(text))} == {
        (("uplink",), "tcp"),
        (("uplink",), "udp"),
        (("uplink", "spare"), "tcp"),
        (("spare",), "tcp"),
        (("spare",), "udp"),
    }
