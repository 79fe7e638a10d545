"""What the hosts say of themselves may refuse a run before any change: the run then ends, with exit code 3."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from orchestrator.decide import events as ev
from orchestrator.decide.commands import Finish
from orchestrator.decide.machine import advance, handle
from orchestrator.decide.state import RunState, begin
from tests.sim.fake_host import FakeHost
from tests.sim.sim import make_setup

Facts = dict[str, dict[str, Any]]


def met(state: RunState, changed: Facts) -> list[Any]:
    """The commands once every host has told its facts, `changed` over those of a healthy bench."""
    advance(state)
    commands: list[Any] = []
    for number, name in enumerate(state.setup.hosts):
        host = FakeHost(name, number + 1, {("mtu", "eth1"): 1500})
        commands = handle(state, ev.Connected(name, {**host.facts(), **changed.get(name, {})}))
    return commands


def small() -> RunState:
    """Two hosts."""
    return begin(replace(make_setup(3), hosts=("dome", "hall")))


BSD = {"system": "FreeBSD", "family": "bsd"}


@pytest.mark.parametrize(
    ("changed", "bsd_hosts", "code", "words"),
    [
        ({"hall": BSD}, (), "system_differs", "hall: the plan says system: linux, and the host runs FreeBSD"),
        ({}, ("hall",), "system_differs", "hall: the plan says system: bsd, and the host runs Linux"),
        ({"hall": {"interfaces": []}}, (), "interface_unknown", "no interface of this host is 'eth1'"),
    ],
)
def test_a_run_that_its_hosts_facts_refuse_ends_at_once(
    changed: Facts, bsd_hosts: tuple[str, ...], code: str, words: str
) -> None:
    state = small()
    state.setup = replace(state.setup, bsd_hosts=bsd_hosts)
    assert met(state, changed) == [Finish(3)], "nothing else would ever happen"
    assert state.refused is not None
    assert state.refused["code"] == code
    assert words in state.refused["message"]


def test_a_host_of_the_family_that_the_plan_says_is_taken_and_what_is_not_seen_there_is_noted() -> None:
    state = small()
    state.setup = replace(state.setup, bsd_hosts=("hall",))
    assert [type(command).__name__ for command in met(state, {"hall": BSD})] == ["AcquireLease"]
    assert any(note.startswith("hall: of the BSD family") for note in state.notes)
