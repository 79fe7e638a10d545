"""A journal is believed about hosts only as far as its run's own plan asks for the same."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import pytest

from orchestrator.decide.compose import compose
from orchestrator.decide.obeying import HERE, Program, beyond_the_plan, composed_as, differences, programs
from orchestrator.decide.setup import PowerSwitch, RunSetup, setup_from_dict
from orchestrator.decide.state import Place, all_places, begin
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import load

PLAN = """plan: night
hosts:
  dome: {ssh: dome, power_cycle: {command: [plug-switch, cycle, dome], wait: 60s}}
  hall: {ssh: hall}
links:
  uplink: {under_test: dome e0, far: hall e0, rate: 1Gbit/s}
factors:
  mtu: [1500, 9000]
  fan: {setting: command, at: hall, read: [fan, get], write: [fan, set, "{level}"], levels: [slow, fast]}
"""


@pytest.fixture
def plan():
    return load(PLAN, name="plan.yaml", catalogue=CATALOGUE)


@pytest.fixture
def noted(plan) -> RunSetup:
    made = compose(plan, run_id="night-1", holder="someone")
    return setup_from_dict(json.loads(json.dumps(made.as_dict())))


def begun(setup):
    """The state of a run that has met its hosts."""
    state = begin(setup)
    for host in state.hosts.values():
        host.facts = {"interfaces": [{"name": "e0"}]}
    return state


def test_the_journals_own_setup_is_what_its_plan_composes_to(plan, noted):
    assert differences(composed_as(plan, noted), noted) == []


def test_a_rehearsal_is_known_as_one(plan):
    made = compose(plan, run_id="night-1", holder="someone", only_rehearse=True)
    noted = setup_from_dict(json.loads(json.dumps(made.as_dict())))
    assert differences(composed_as(plan, noted), noted) == []


@pytest.mark.parametrize("name", [one.name for one in fields(RunSetup) if one.name not in ("run_id", "holder")])
def test_no_part_of_the_setup_can_be_another(plan, noted, name):
    value = getattr(noted, name)
    other = {
        bool: lambda: not value,
        tuple: lambda: (*value, "more"),
        str: lambda: value + "x",
        int: lambda: value + 1,
        float: lambda: value + 1.0,
        type(None): lambda: 1.0,
    }[type(value)]()
    found = differences(composed_as(plan, noted), replace(noted, **{name: other}))
    assert [line for line in found if line.startswith(f"{name}: ")]


def test_a_power_switch_that_only_the_journal_has_is_shown_with_its_program(plan, noted):
    evil = replace(noted, power=(PowerSwitch("dome", ("touch", "/tmp/pwned"), 1.0),))
    assert "/tmp/pwned" in "\n".join(differences(composed_as(plan, noted), evil))


def test_every_program_of_a_plan_is_named_with_where_it_would_run(noted):
    assert programs(noted) == [
        Program(HERE, ("plug-switch", "cycle", "dome")),
        Program("hall", ("fan", "get")),
        Program("hall", ("fan", "set", "{level}")),
    ]


def test_places_and_programs_of_the_plan_are_the_journals_to_know(noted):
    state = begun(noted)
    hall = state.hosts["hall"]
    for place in all_places(state, "hall"):
        hall.places[place] = {"setting": place.setting, "target": place.target}
        hall.before[place] = (
            {"value": "slow", "read": ["fan", "get"], "write": ["fan", "set", "{level}"]}
            if place.setting == "command"
            else 1500
        )
        hall.ours[place] = ["fast"]
    assert beyond_the_plan(state) == []


@pytest.mark.parametrize("where", ["places", "before", "ours"])
def test_a_place_that_only_the_journal_has_is_beyond_the_plan(noted, where):
    state = begun(noted)
    getattr(state.hosts["hall"], where)[Place("command", "pwn")] = {}
    assert beyond_the_plan(state) == ["hall: command pwn"]


def test_a_program_that_only_a_before_value_names_is_beyond_the_plan(noted):
    state = begun(noted)
    place = next(one for one in all_places(state, "hall") if one.setting == "command")
    state.hosts["hall"].before[place] = {"value": "slow", "read": ["fan", "get"], "write": ["sh", "-c", "pwn"]}
    [words] = beyond_the_plan(state)
    assert "pwn" in words
