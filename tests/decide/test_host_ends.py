"""Every end of a run says of every host whether it was verified as found, on whichever way it ended."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.decide import events as ev
from orchestrator.decide.as_found.host_ends import host_ends
from orchestrator.decide.machine import handle, note_end_by_records
from orchestrator.decide.state import RunState, begin
from tests.sim.sim import make_setup

RESTORED = {"restored": [], "left": [], "conflicts": [], "differences": {}}


@pytest.fixture
def state() -> RunState:
    made = begin(make_setup(3))
    made.hosts["dome"].changed = True
    made.hosts["dome"].ours = {"mtu eth1": [9000]}
    return made


def words(state: RunState) -> dict[str, str]:
    return {end.host: end.words for end in host_ends(state)}


def test_a_host_that_was_never_changed_is_said_to_be_as_found(state: RunState) -> None:
    assert words(state)["hall"] == "as found; nothing was changed on it"


def test_a_changed_host_is_not_verified_until_it_is_restored(state: RunState) -> None:
    assert words(state)["dome"].startswith("NOT verified as found: the run broke off")
    state.hosts["dome"].restored = RESTORED
    assert words(state)["dome"] == "restored and verified as found"


def test_what_stays_changed_is_named_with_the_host(state: RunState) -> None:
    stays = {"setting": "mtu", "target": "eth1", "before": 1500, "now": 9000}
    state.hosts["dome"].restored = {**RESTORED, "left": [stays]}
    (dome,) = [end for end in host_ends(state) if end.host == "dome"]
    assert not dome.verified
    assert dome.lines[1:] == ["    mtu of eth1 on dome: 1500 before, 9000 now"]


def test_a_host_that_is_left_to_its_lease_says_within_what_time(state: RunState) -> None:
    state.hurry = True
    assert "left to its lease; it restores itself within" in words(state)["dome"]


@pytest.mark.parametrize("left", [[], [{"setting": "mtu", "target": "eth1"}]])
def test_a_run_without_a_journal_believes_the_hosts_own_answers(state: RunState, left: list[Any]) -> None:
    note_end_by_records(state, 6, {"dome": {**RESTORED, "left": left}})
    ends = {end.host: end.verified for end in host_ends(state)}
    assert ends["dome"] is not bool(left)


def test_a_host_that_is_recovered_after_the_end_counts_as_found(state: RunState) -> None:
    state.exit_code = 5
    assert handle(state, ev.Restored("dome", RESTORED)) == []
    assert handle(state, ev.Released("dome")) == []
    assert words(state)["dome"] == "restored and verified as found"
    assert state.exit_code == 5
