"""Levels under which a host restarts unasked, or is lost whenever they are given: counted, and then left out. Pure."""

from __future__ import annotations

from typing import cast

from orchestrator.decide import events as ev
from orchestrator.decide.commands import Apply
from orchestrator.decide.shapes.uses import Use
from orchestrator.decide.state import (
    DEATHS_TO_SKIP,
    MOST_LOST_APPLIES,
    HostState,
    Level,
    RunState,
    level_name,
)
from orchestrator.decide.trials import start_over
from orchestrator.planning.cells import SettingUse
from orchestrator.planning.document import Json


def count_death(state: RunState, host: HostState) -> None:
    """A host restarted in the middle of the run: under each level that it was given last, and perhaps by it."""
    for level in {_level(use) for use in host.last_applied if not use.get("as_found")}:
        host.deaths[level] = host.deaths.get(level, 0) + 1
        if host.deaths[level] >= DEATHS_TO_SKIP:
            _skip_rest(state, level)


def note_lost_apply(state: RunState, event: ev.SessionLost | ev.HostFailed) -> None:
    """Settings that cost session or lease every time make their trial `failed`, as a trial that breaks off does."""
    if event.step != Apply.__name__:
        return
    state.lost_applies += 1
    if state.lost_applies >= MOST_LOST_APPLIES and state.position and state.position not in state.outcomes:
        reason = f"{event.host}: the session or the lease was lost whenever this cell's settings were applied"
        state.outcomes[state.position] = {
            "status": "failed",
            "doubts": ["broken_off"],
            "attempt": state.attempt,
            "reason": f"{reason}: {event.fault.get('message', '')}",
        }
        start_over(state, attempt=1)


def _level(use: Use) -> Level:
    return level_name(SettingUse("", "", use["setting"], cast("Json", use["level"]), use["target"]))  # out of a plan


def _skip_rest(state: RunState, level: Level) -> None:
    for trial in state.schedule:
        uses = state.setup.cell(trial.cell).settings
        if trial.position not in state.outcomes and any(level_name(use) == level for use in uses):
            state.outcomes[trial.position] = {
                "status": "skipped",
                "doubts": ["host_died_twice"],
                "attempt": 0,
                "reason": f"a host restarted twice under {level}",
            }
