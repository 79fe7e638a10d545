"""Links that end at one interface divide their ports by themselves, or are refused with ranges that would do."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.decide.compose import compose
from orchestrator.decide.traffic_args import ports_for
from orchestrator.planning.cells import ports_needed
from orchestrator.planning.port_shares import Listening, divided, meet
from tests.planning.planning_fakes import load, problems

HEAD = """\
plan: two-links
hosts: {dome: {ssh: dome}, hall: {ssh: hall}, shed: {ssh: shed}}
"""
ONE_INTERFACE = (
    HEAD
    + """\
links:
  uplink: {under_test: dome eth1, far: hall eth1PORTS_A}
  side: {under_test: dome eth1, far: shed eth1PORTS_B}
factors: {together: [alone, all], streams: [STREAMS], direction: [bidirectional]}
"""
)


def plan(ports_a: str = "", ports_b: str = "", streams: int = 1) -> str:
    text = ONE_INTERFACE.replace("STREAMS", str(streams))
    for mark, ports in (("PORTS_A", ports_a), ("PORTS_B", ports_b)):
        text = text.replace(mark, f", ports: {ports}" if ports else "")
    return text


def _chosen(text: str) -> list[dict[str, list[int]]]:
    """Of each trial: link -> its ports."""
    setup = compose(load(text), run_id="r", holder="me")
    return [
        {
            name: ports_for(setup.link(name), cell, trial, setup.seed, [setup.link(each) for each in cell.links])
            for name in cell.links
        }
        for trial in setup.schedule
        for cell in [setup.cell(trial.cell)]
    ]


@pytest.mark.parametrize(
    ("ports_a", "ports_b", "streams"),
    [
        ("", "", 1),
        ("", "", 15),
        ("21000-21063", "21000-21010", 4),
        ("21000-21010", "", 4),
        ("21000-21019", "21000-21019", 4),
    ],
)
def test_links_at_one_interface_never_share_a_port(ports_a: str, ports_b: str, streams: int) -> None:
    text = plan(ports_a, ports_b, streams)
    for ports in _chosen(text):
        for own in ports.values():
            assert len(own) == len({*own}) == ports_needed({"direction": "bidirectional", "streams": streams})
        assert not any({*ports[one]} & {*ports[other]} for one, other in combinations(ports, 2))
    assert _chosen(text) == _chosen(text)  # the same in every run, so that compared runs have the same ports


def test_ports_that_cannot_be_divided_are_refused_with_ranges_that_would_do() -> None:
    [found] = problems(plan(streams=16))  # 34 for each link of the 64
    assert "uplink, side" in found.message
    assert "each needs 34" in found.message
    assert found.suggestion == "write uplink: {ports: 20000-20033}; side: {ports: 20034-20067}"
    assert _chosen(plan("20000-20033", "20034-20067", 16))


def test_links_at_interfaces_of_their_own_keep_all_their_ports() -> None:
    text = plan(streams=16).replace("dome eth1, far: shed", "dome eth2, far: shed")
    assert all(len(own) == 34 for ports in _chosen(text) for own in ports.values())


@given(
    ranges=st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), min_size=2, max_size=4), needed=st.integers(1, 8)
)
def test_a_division_is_found_wherever_there_is_one(ranges: list[tuple[int, int]], needed: int) -> None:
    """Hall's condition: every set of links has together as many ports as its links need."""
    links = {
        str(number): Listening(tuple(range(first, first + count)), (("dome", "eth1"), (str(number), "eth1")))
        for number, (first, count) in enumerate(ranges)
    }
    shares = divided(links, needed)
    possible = all(
        len({port for name in some for port in links[name].ports}) >= needed * len(some)
        for size in range(1, len(links) + 1)
        for some in combinations(links, size)
    )
    assert possible == all(len(ports) >= needed for ports in shares.values())
    assert sorted(port for ports in shares.values() for port in ports) == sorted(
        {port for link in links.values() for port in link.ports}
    )
    assert all({*ports} <= {*links[name].ports} for name, ports in shares.items())


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("eth1", "eth1", True),
        ("eth1", "eth2", False),
        ("eth1", "mac:02:00:5e:10:00:07", True),
        ("driver:veth", "bus:0000:03:00.0", True),
    ],
)
def test_only_two_plain_names_are_known_to_be_two_interfaces(one: str, other: str, same: bool) -> None:
    assert (
        meet(Listening((1,), (("dome", one), ("hall", "eth1"))), Listening((1,), (("dome", other), ("shed", "eth1"))))
        == same
    )
