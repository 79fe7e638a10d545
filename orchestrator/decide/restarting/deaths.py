"""Hosts that restart without being asked to: counted by level, so that one that kills them is left out. Pure."""

from __future__ import annotations

from orchestrator.decide.state import DEATHS_TO_SKIP, HostState, Json, Level, RunState, level_name
from orchestrator.planning.cells import SettingUse


def count_death(state: RunState, host: HostState) -> None:
    """A host restarted in the middle of the run: under each level that it was given last, and perhaps by it."""
    for level in {_level(use) for use in host.last_applied if not use.get("as_found")}:
        host.deaths[level] = host.deaths.get(level, 0) + 1
        if host.deaths[level] >= DEATHS_TO_SKIP:
            _skip_rest(state, level)


def _level(use: Json) -> Level:
    return level_name(SettingUse("", "", use["setting"], use["level"], use["target"]))


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
