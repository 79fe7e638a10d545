"""After the rehearsal: settings that turned out costly become whole plots, so that they are changed seldom."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial

COSTLY_S = 2.0  # per change: as long as a short trial; a copper link renegotiates in 2..7 s


def grouped(trials: Sequence[Trial], cells: Mapping[int, Cell], costly: frozenset[str]) -> tuple[Trial, ...]:
    """The same trials, with those that share their costly levels next to each other within each block.

    The order of the groups, and within each of them, is the shuffled order as it was: chance stays chance. Positions
    are handed out anew, whole plots are numbered through.
    """
    positions = iter(sorted(trial.position for trial in trials))
    result: list[Trial] = []
    plot = 0
    for block in dict.fromkeys(trial.block for trial in trials):
        groups: dict[str, list[Trial]] = {}
        for trial in trials:
            if trial.block == block:  # a control trial opens its block whatever its levels are
                key = trial.role if trial.role == "control" else _costly_levels(cells[trial.cell], costly)
                groups.setdefault(key, []).append(trial)
        for group in _starts_together(list(groups.values()), cells):
            plot += 1
            result += [replace(trial, position=next(positions), whole_plot=plot) for trial in group]
    return tuple(result)


def _starts_together(groups: list[list[Trial]], cells: Mapping[int, Cell]) -> list[list[Trial]]:
    """The groups with those of one start next to each other; a control trial stays first."""
    starts: dict[str, list[list[Trial]]] = {}
    for group in groups:
        key = "" if group[0].role == "control" else "start " + cells[group[0].cell].start
        starts.setdefault(key, []).append(group)
    return [group for same in starts.values() for group in same]


def _costly_levels(cell: Cell, costly: frozenset[str]) -> str:
    levels: list[Any] = [
        [use.host, use.selector, use.setting, use.level] for use in cell.settings if use.setting in costly
    ]
    return json.dumps(levels, sort_keys=True)
