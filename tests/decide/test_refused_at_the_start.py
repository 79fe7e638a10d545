"""What hosts tell of themselves refuses a run that cannot work, with host, interface, cause and next step.

Each refusal stands beside healthy relatives that must not be refused.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from orchestrator.decide import events as ev
from orchestrator.decide.links.answering import Question, wrong_answer
from orchestrator.decide.links.end_problems import EndNotReady, ends_not_ready
from orchestrator.decide.machine import advance, handle
from orchestrator.decide.preflight import preflight_problem
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState, begin
from orchestrator.faults import Fault
from orchestrator.planning.cells import SettingUse
from tests.sim.fake_host import FakeHost
from tests.sim.sim import make_setup

Json = dict[str, Any]
Change = Callable[[Json], None]


def bench(change: Change = lambda facts: None, setup: Callable[[RunSetup], RunSetup] = lambda setup: setup) -> RunState:
    """A run that has met both hosts; `change` is made to their facts, by host."""
    cells = tuple(
        replace(cell, settings=tuple(use for use in cell.settings if use.setting != "command"))
        for cell in make_setup(3).cells
    )
    state = begin(setup(replace(make_setup(3), hosts=("dome", "hall"), cells=cells)))
    facts = {
        name: FakeHost(name, number + 1, {("mtu", "eth1"): 1500}).facts()
        for number, name in enumerate(state.setup.hosts)
    }
    change(facts)
    advance(state)
    for name, told in facts.items():
        handle(state, ev.Connected(name, told))
    return state


def refusal(change: Change, setup: Callable[[RunSetup], RunSetup] = lambda setup: setup) -> Fault | None:
    return preflight_problem(bench(change, setup))


def stated(one: str, other: str) -> Callable[[RunSetup], RunSetup]:
    """The plan names the addresses."""
    return lambda setup: replace(setup, links=tuple(replace(link, addresses=((one, other),)) for link in setup.links))


def asking_for_ipv6(setup: RunSetup) -> RunSetup:
    return replace(setup, cells=tuple(replace(cell, traffic={**cell.traffic, "ip": 6}) for cell in setup.cells))


def with_command(setup: RunSetup) -> RunSetup:
    """The plan runs something of its own on dome, which may bring the interface up."""
    use = SettingUse("dome", "", "command", "on", "mine")
    return replace(setup, cells=tuple(replace(cell, settings=(*cell.settings, use)) for cell in setup.cells))


def end(facts: Json, host: str = "dome") -> Json:
    found: Json = facts[host]["interfaces"][0]
    return found


def set_end(host: str = "dome", **values: Any) -> Change:
    return lambda facts: end(facts, host).update(values)


def address(text: str, prefix: int = 24, **more: Any) -> Json:
    return {"address": text, "prefix": prefix, "family": 6 if ":" in text else 4, "tentative": False, **more}


def addresses(host: str, *entries: Json) -> Change:
    return set_end(host, addresses=list(entries))


def another(host: str, name: str, *entries: Json, **more: Any) -> Change:
    def change(facts: Json) -> None:
        other = copy.deepcopy(end(facts, host))
        facts[host]["interfaces"].append(
            {**other, "name": name, "mac": "02:00:00:00:09:09", "addresses": list(entries), **more}
        )

    return change


LOCAL = address("fe80::1", 64)
REFUSED: dict[str, tuple[Change, Callable[[RunSetup], RunSetup], str, tuple[str, ...]]] = {
    "a bridge's port": (
        set_end(master="br0", master_kind="bridge"),
        lambda one: one,
        "enslaved",
        ("dome: eth1 is a port of the bridge br0", "name dome br0"),
    ),
    "a bond's part": (
        set_end("hall", master="bond1", master_kind="bond"),
        lambda one: one,
        "enslaved",
        ("hall: eth1 is a part of the bond bond1", "name hall bond1"),
    ),
    "a master of a kind nobody knows": (set_end(master="m0", master_kind="new"), lambda one: one, "enslaved", ("m0",)),
    "switched off": (set_end(up=False), lambda one: one, "switched_off", ("dome: eth1 is switched off", "up")),
    "an address that the end has not": (
        lambda facts: None,
        stated("198.18.0.99", "198.18.0.12"),
        "address_missing",
        ("dome:eth1 does not have the address 198.18.0.99", "198.18.0.11"),
    ),
    "an address of another interface": (
        another("hall", "eth7", address("10.9.9.9")),
        stated("198.18.0.11", "10.9.9.9"),
        "address_elsewhere",
        ("10.9.9.9 is an address of hall:eth7", "eth1"),
    ),
    "a duplicate that the plan names": (
        addresses("dome", address("2001:db8::1", 64, duplicate=True)),
        stated("2001:db8::1", "2001:db8::2"),
        "duplicate_address",
        ("dome:eth1 cannot use 2001:db8::1", "another machine"),
    ),
    "one address stated for both": (
        lambda facts: None,
        stated("198.18.0.11", "198.18.0.11"),
        "same_address",
        ("both ends are given 198.18.0.11",),
    ),
    "the far end's address here": (
        another("dome", "dummy3", address("198.18.0.12", 32)),
        lambda one: one,
        "address_is_own",
        ("198.18.0.12", "dome itself (on dummy3)"),
    ),
    "both have one address": (
        addresses("hall", address("198.18.0.11")),
        lambda one: one,
        "same_address",
        ("dome:eth1 and hall:eth1 both have 198.18.0.11",),
    ),
    "two networks": (
        addresses("hall", address("203.0.113.4")),
        lambda one: one,
        "no_common_network",
        (
            "dome:eth1 has 198.18.0.11/24",
            "hall:eth1 has 203.0.113.4/24",
            "temporary",
            "address: {under_test: 198.18.0.11, far: 203.0.113.4}",
        ),
    ),
    "one end sees the other, not the other way": (
        addresses("hall", address("198.18.0.12", 32)),
        lambda one: one,
        "no_common_network",
        ("198.18.0.12/32",),
    ),
    "no address": (addresses("hall"), lambda one: one, "no_address", ("hall:eth1 has no address", "temporary")),
    "link-local only": (
        addresses("hall", LOCAL),
        lambda one: one,
        "no_address",
        ("hall:eth1 has only the link-local address fe80::1", "address: temporary"),
    ),
    "no IPv6 where it is asked for": (
        lambda facts: None,
        asking_for_ipv6,
        "no_address",
        ("dome:eth1 has no IPv6 address", "hall:eth1 has no IPv6 address"),
    ),
    "no IPv6 for a small MTU": (set_end(mtu=1000), asking_for_ipv6, "no_address", ("its MTU is 1000", "RFC 8200")),
    "a duplicate": (
        addresses("hall", address("2001:db8::2", 64, duplicate=True)),
        asking_for_ipv6,
        "no_address",
        ("hall:eth1 cannot use 2001:db8::2", "another machine"),
    ),
}


@pytest.mark.parametrize("which", REFUSED)
def test_what_is_known_at_the_start_is_refused_at_the_start_with_the_right_culprit(which: str) -> None:
    change, setup, code, words = REFUSED[which]
    fault = refusal(change, setup)
    assert fault is not None
    assert fault.code == code
    assert fault.next_step
    for word in words:
        assert word in f"{fault.message} - {fault.next_step}"


HEALTHY: dict[str, tuple[Change, Callable[[RunSetup], RunSetup]]] = {
    "nothing is wrong": (lambda facts: None, lambda one: one),
    "in a VRF": (set_end(master="blue", master_kind="vrf"), lambda one: one),
    "switched off, and a command may switch it on": (set_end(up=False), with_command),
    "an address that a command may give": (
        lambda facts: None,
        lambda one: with_command(stated("198.18.0.99", "198.18.0.12")(one)),
    ),
    "stated and there": (lambda facts: None, stated("198.18.0.11", "198.18.0.12")),
    "stated in another spelling": (
        addresses("dome", address("2001:db8::1", 64)),
        stated("2001:0db8::0001", "2001:db8::2"),
    ),
    "two networks joined by a router, as stated": (
        addresses("hall", address("203.0.113.4")),
        stated("198.18.0.11", "203.0.113.4"),
    ),
    "two interfaces in one network": (another("dome", "eth7", address("198.18.0.77")), lambda one: one),
    "the far end's address on an interface that is off": (
        another("dome", "eth7", address("198.18.0.12"), up=False),
        lambda one: one,
    ),
    "the far end's address in another VRF": (
        another("dome", "eth7", address("198.18.0.12"), master="red", master_kind="vrf"),
        lambda one: one,
    ),
    "prefixes of two lengths that hold each other": (addresses("hall", address("198.18.0.12", 16)), lambda one: one),
    "a second network that both are in": (
        addresses("hall", address("203.0.113.4"), address("198.18.0.12")),
        lambda one: one,
    ),
    "a tentative address, which is waited for": (
        addresses("hall", address("198.18.0.12", tentative=True)),
        lambda one: one,
    ),
    "a duplicate beside a good one": (
        addresses("hall", address("2001:db8::2", 64, duplicate=True), address("198.18.0.12")),
        lambda one: one,
    ),
}


@pytest.mark.parametrize("which", HEALTHY)
def test_a_healthy_relative_is_not_refused(which: str) -> None:
    change, setup = HEALTHY[which]
    if which == "stated in another spelling":
        both = change
        change = lambda facts: (both(facts), addresses("hall", address("2001:db8::2", 64))(facts))[0]  # noqa: E731
    fault = refusal(change, setup)
    assert fault is None, fault and fault.message


def test_a_point_to_point_address_reaches_its_peer() -> None:
    def change(facts: Json) -> None:
        addresses("dome", address("198.18.0.11", 32, peer="198.18.7.12"))(facts)
        addresses("hall", address("198.18.7.12", 32, peer="198.18.0.11"))(facts)

    assert refusal(change) is None


def test_only_ends_that_may_come_up_are_waited_for() -> None:
    assert ends_not_ready(bench()) == []
    assert ends_not_ready(bench(set_end("hall", carrier=False))) == [EndNotReady("hall", "eth1", None, None)]
    assert ends_not_ready(bench(set_end("dome", carrier=False), with_command)) == []
    tentative = addresses("hall", address("198.18.0.12", tentative=True))
    assert ends_not_ready(bench(tentative)) == [EndNotReady("hall", "eth1", 4, "198.18.0.12")]


OWN, OTHER, STRANGE = "02:00:00:00:00:02", "02:00:00:00:09:09", "02:00:00:00:0e:0e"
ASKED = Question("uplink", "dome", "eth1", "198.18.0.11", "hall", "eth1", "198.18.0.12")


@pytest.mark.parametrize(
    ("macs", "code", "words"),
    [
        ([], "", ()),
        ([OWN], "", ()),
        ([OWN.upper()], "", ()),
        (
            [OWN, OTHER],
            "answered_elsewhere",
            ("eth7 of hall answers as well", "arp_ignore=1", "take eth7 of hall off"),
        ),
        ([OTHER], "answered_elsewhere", ("eth7 of hall answers, and eth1 does not", "name hall eth7")),
        ([STRANGE, OWN], "answered_by_another", (STRANGE, "another machine has the same address")),
    ],
)
def test_who_answers_for_an_address_is_named_whichever_answer_came_first(
    macs: list[str], code: str, words: tuple[str, ...]
) -> None:
    state = bench(another("hall", "eth7", address("198.18.0.77")))
    for order in (macs, macs[::-1]):
        fault = wrong_answer(ASKED, order, state.hosts["hall"].facts or {})
        assert (fault.code if fault else "") == code
        for word in words:
            assert fault
            assert word in f"{fault.message} - {fault.next_step}"
