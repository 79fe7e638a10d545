"""What of a run's folder is the plan's own word, and what only its journal says: a folder may come from a stranger.

`resume` and `recover` do to a host what the plan asks for. The journal's first line must be what the plan composes to;
what later lines know of a host (before-values) is the journal's word alone, and only ever about the plan's own places.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from orchestrator.decide.compose import compose
from orchestrator.decide.setup import RunSetup, setup_from_dict
from orchestrator.decide.state import RunState, all_places
from orchestrator.faults import HostError
from orchestrator.planning import Plan
from orchestrator.planning.cells import COMMAND

HERE = "this machine"
_NOT_THE_PLANS = frozenset({"run_id", "holder"})  # which run it is, and who began it
_MOST_SHOWN = 300  # characters of a value
_ARGUMENT_LISTS = ("read", "write", "check")  # of a command setting


@dataclass(frozen=True)
class Program:
    """A program that a plan names, and where it would run."""

    where: str
    arguments: tuple[str, ...]


def composed_as(plan: Plan, noted: RunSetup) -> RunSetup:
    """What the plan composes to, as a run of the noted name and kind."""
    only_rehearse = all(trial.role == "rehearse" for trial in noted.schedule)
    made = compose(plan, run_id=noted.run_id, holder=noted.holder, only_rehearse=only_rehearse)
    return setup_from_dict(json.loads(json.dumps(made.as_dict())))


def differences(planned: RunSetup, noted: RunSetup) -> list[str]:
    """Where the journal's setup is not what the plan composes to, a line each; empty when they are equal."""
    return [
        f"{one.name}: {_shown(mine)} by the plan, {_shown(theirs)} in the journal"
        for one in fields(RunSetup)
        if one.name not in _NOT_THE_PLANS
        for mine, theirs in _unequal(getattr(planned, one.name), getattr(noted, one.name))
    ]


def programs(setup: RunSetup) -> list[Program]:
    """Every program that the setup names, each once: those of command settings, and what switches power."""
    found = [Program(HERE, switch.command) for switch in setup.power]
    for cell in setup.cells:
        for use in cell.settings:
            if use.setting == COMMAND and isinstance(use.level, dict):
                lists = [use.level.get(key) for key in _ARGUMENT_LISTS]
                found += [
                    Program(use.host, tuple(map(str, words))) for words in lists if isinstance(words, list) and words
                ]
    return list(dict.fromkeys(found))


def beyond_the_plan(state: RunState) -> list[str]:
    """What the journal says of hosts that the plan does not ask for: places, and programs to restore them with."""
    return [words for name in state.hosts for words in _beyond(state, name)]


def _beyond(state: RunState, name: str) -> Iterator[str]:
    host = state.hosts[name]
    try:
        planned = set(all_places(state, name))
    except HostError:  # the journal knows no such interface of this host, so no place on it either
        planned = set()
    allowed = {program.arguments for program in programs(state.setup) if program.where == name}
    for place in {**host.places, **host.ours, **host.before}:
        if place not in planned:
            yield f"{name}: {place}"
        elif place.setting == COMMAND:
            value = host.before.get(place)
            named = [value.get(key) for key in _ARGUMENT_LISTS] if isinstance(value, dict) else []
            yield from (f"{name}: {place}: runs {_shown(one)}" for one in named if one and tuple(one) not in allowed)


def _unequal(mine: Any, theirs: Any) -> Iterator[tuple[Any, Any]]:
    """The pairs that differ: of sequences only the entries that do."""
    if isinstance(mine, tuple) and isinstance(theirs, tuple):
        if len(mine) != len(theirs):
            yield f"{len(mine)} entries", f"{len(theirs)} entries"
        yield from ((a, b) for a, b in zip(mine, theirs, strict=False) if a != b)
    elif mine != theirs:
        yield mine, theirs


def _shown(value: Any) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= _MOST_SHOWN else text[:_MOST_SHOWN] + " ..."
