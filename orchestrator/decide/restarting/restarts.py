"""Restarting a host for levels that take one: when, how often, and what a start that did not help means. Pure.

A level that takes a restart is applied like any other: the host writes it, armed to be taken back by the very start
that reads it, and answers that it needs one. After the restart everything is applied again; what is in effect by then
is answered so. Nothing has to be remembered about a restart but that it was asked for.
"""

from __future__ import annotations

from orchestrator.decide.shapes.uses import AppliedUse, Use
from orchestrator.decide.state import (
    AsFound,
    HostState,
    Level,
    RunState,
    level_name,
    place_name,
    place_of,
    restart_places,
    use_of,
    wanted_levels,
    way_back,
)
from orchestrator.planning.cells import Cell

MOST_STARTS = 2  # for one level; a host that came up without it twice will not come up with it
NOT_STARTED = "not_started"


def only_first_phase(state: RunState, cell: Cell, name: str, uses: list[Use]) -> list[Use]:
    """What is to be applied now: levels that take a restart come first and alone, since it undoes the others.

    All of them that the cell has, when one is to be changed: each is written for one start, and it must be the same.
    """
    host, places = state.hosts[name], restart_places(state, name) if uses else set()
    if not any(place_name(use) in places for use in uses):
        return uses
    wanted = wanted_levels(cell, name, host)
    return [
        use_of(where, wanted[place]) if place in wanted else way_back(where)
        for place, where in host.places.items()
        if place in places and (place in wanted or place in host.ours)
    ]


def note_applied(state: RunState, name: str, uses: list[AppliedUse]) -> None:
    """After an Apply of levels that take a restart: ask for it, go on, or give the level up."""
    host, places = state.hosts[name], restart_places(state, name)
    starting = [use for use in uses if place_name(use) in places]
    if not starting or any(not use["ok"] for use in uses):
        return
    waiting = {_called(state, name, use): use for use in starting if use.get("restart")}
    host.starts = {called: host.starts.get(called, 0) for called in waiting}
    for called, use in waiting.items():
        if host.starts[called] >= MOST_STARTS:
            _give_up(state, host, name, use, called)
            return
    host.restart_wanted = bool(waiting)
    if not waiting and not [use for use in uses if use not in starting]:
        state.applied.pop(name, None)  # the other settings are still to come


def note_back(host: HostState) -> None:
    """It was asked to restart and is there again: whether that helped is seen when the levels are applied again."""
    back_for_good = host.restored is not None  # the way back, on which no level is waited for
    host.starts = {} if back_for_good else {called: count + 1 for called, count in host.starts.items()}


def _give_up(state: RunState, host: HostState, name: str, use: AppliedUse, called: Level | AsFound) -> None:
    """What was written for this level is restored by the next cell, or at the end."""
    host.starts.pop(called, None)
    why = (
        f"{name} was restarted {MOST_STARTS} times for {called} and came up without it: look at its boot loader's "
        "file and console"
    )
    if use.get("as_found"):
        state.stop = state.stop or {"kind": "stop", "reason": why}
        return
    for trial in state.schedule:
        wanted = {level_name(one) for one in state.setup.cell(trial.cell).settings if one.host == name}
        if trial.position not in state.outcomes and called in wanted:
            state.outcomes[trial.position] = {"status": "skipped", "doubts": [NOT_STARTED], "attempt": 0, "reason": why}
    state.applied = {}
    state.position, state.attempt = 0, 1


def _called(state: RunState, name: str, use: AppliedUse) -> Level | AsFound:
    """What waits for a restart: a level, or a place's way back to how the host was found."""
    host = state.hosts[name]
    if use.get("as_found"):
        return AsFound(place_name(use))
    return next(
        level_name(one)
        for one in state.setup.restarting_uses
        if one.host == name and place_of(one, host) == place_name(use) and one.level == use["level"]
    )
