"""Cells that a standard or the hosts rule out are known before anything is tried."""

from __future__ import annotations

import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import load
from orchestrator.planning.cells import cells
from orchestrator.planning.impossible import why_impossible, why_impossible_by_plan
from orchestrator.planning.outline import outline, render
from orchestrator.planning.plan import Plan
from orchestrator.planning.problems import PlanProblems

BEGIN = (
    "plan: p\nhosts: {dome: {ssh: dome, privilege: root}, hall: {ssh: hall, privilege: root}}\n"
    "links: {uplink: {under_test: dome e0, far: hall e1, isolated: true%s}}\n"
)
ENDS = {"uplink": (("dome", "e0"), ("hall", "e1"))}


def plan(factors: str, link: str = "") -> Plan:
    return load(BEGIN % link + factors, catalogue=CATALOGUE)


@pytest.mark.parametrize(
    ("mtu", "ip", "why"), [(1279, 6, "RFC 8200 s5"), (68, 6, "RFC 8200 s5"), (1280, 6, ""), (1279, 4, ""), (68, 4, "")]
)
def test_an_mtu_below_1280_is_impossible_with_ipv6_alone(mtu: int, ip: int, why: str) -> None:
    found = plan(f"factors: {{mtu: [{mtu}], ip: [{ip}]}}")
    said = why_impossible_by_plan(found, cells(found)[0])
    assert (why in said) if why else not said
    if why:
        assert f"MTU of {mtu}" in said


def test_the_stated_addresses_say_which_ip_a_cell_has() -> None:
    six = plan("factors: {mtu: [1000]}", ", address: {under_test: '2001:db8::1', far: '2001:db8::2'}")
    four = plan("factors: {mtu: [1000]}", ", address: {under_test: 10.0.0.1, far: 10.0.0.2}")
    assert "1280" in why_impossible_by_plan(six, cells(six)[0])
    assert not why_impossible_by_plan(four, cells(four)[0])


def test_one_end_with_a_small_mtu_is_enough() -> None:
    found = plan("factors: {small: {setting: mtu, at: 'hall e1', levels: [1000]}, ip: [6]}")
    assert "hall e1" in why_impossible_by_plan(found, cells(found)[0])


def test_what_the_hosts_told_decides_where_the_plan_leaves_it_open() -> None:
    found = plan("factors: {mtu: [1000], sender_core: [5]}")
    cell = cells(found)[0]
    assert "1280" in why_impossible(cell, ENDS, {"uplink": 6}, {})
    assert why_impossible(cell, ENDS, {"uplink": 4}, {}) == ""
    assert why_impossible(cell, ENDS, {"uplink": 4}, {"dome": range(6), "hall": range(1)}) == ""
    assert "dome has no core 5" in why_impossible(cell, ENDS, {"uplink": 4}, {"dome": range(4), "hall": range(8)})


def test_check_names_the_impossible_cells_without_contacting_anybody() -> None:
    text = render(outline(plan("factors: {mtu: [1279, 1500], ip: [4, 6]}"), CATALOGUE))
    assert "Impossible" in text
    assert "cell 2: an MTU of 1279 at dome e0 leaves no room for IPv6" in " ".join(text.split())
    assert "Impossible" not in render(outline(plan("factors: {mtu: [1280, 1500], ip: [4, 6]}"), CATALOGUE))


def test_an_mtu_below_68_is_refused_by_the_plan_with_its_source() -> None:
    with pytest.raises(PlanProblems) as refused:
        plan("factors: {mtu: [67]}")
    assert "RFC 791" in str(refused.value)
