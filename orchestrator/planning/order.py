"""The order of trials: blocks of one replicate of every cell, shuffled by a seed; costly settings changed seldom."""

from __future__ import annotations

import json
from collections.abc import Iterator, MutableSequence, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from orchestrator.planning.cells import Cell
from orchestrator.planning.plan import Plan

_MASK = 2**64 - 1


@dataclass(frozen=True)
class Trial:
    """One measurement of one cell; trials of one whole plot share one application of the costly settings."""

    position: int
    cell: int
    replicate: int
    block: int
    whole_plot: int
    role: Literal["measure", "control"] = "measure"


class SplitMix:
    """SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): a fixed sequence per seed on any Python.

    The standard library's `random` promises equal sequences only for some of its methods and versions; a run that is
    repeated in three months must draw the same order.
    """

    def __init__(self, seed: int) -> None:
        """`seed` is taken modulo 2**64."""
        self._state = seed & _MASK

    def next(self) -> int:
        """The next 64-bit number."""
        self._state = (self._state + 0x9E3779B97F4A7C15) & _MASK
        mixed = self._state
        mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & _MASK
        return mixed ^ (mixed >> 31)

    def below(self, bound: int) -> int:
        """A number from 0 to bound - 1, each equally likely."""
        limit = (_MASK + 1) - (_MASK + 1) % bound
        while (drawn := self.next()) >= limit:
            pass
        return drawn % bound

    def shuffle(self, items: MutableSequence[Any]) -> None:
        """Put the items into a random order (Durstenfeld, CACM 1964)."""
        for last in range(len(items) - 1, 0, -1):
            other = self.below(last + 1)
            items[last], items[other] = items[other], items[last]


def schedule(plan: Plan, cells: Sequence[Cell]) -> tuple[Trial, ...]:
    """Every trial of the plan in order.

    Within a block, cells with the same costly levels stay together as one whole plot; the whole plots are shuffled, and the
    cells within each. A whole plot ends with its block even when the next begins with the same levels, so that each block
    stands on applications of its own.
    """
    chance = SplitMix(plan.order.seed)
    trials: list[Trial] = []
    plot = 0
    for block in range(1, plan.trial.replicates + 1):
        for group in _block(plan, cells, chance):
            plot += 1
            trials += [Trial(len(trials) + place, cell.number, block, block, plot) for place, cell in enumerate(group, 1)]
    return tuple(trials)


def _block(plan: Plan, cells: Sequence[Cell], chance: SplitMix) -> Iterator[list[Cell]]:
    """One replicate of every cell, in whole plots."""
    groups: dict[str, list[Cell]] = {}
    for cell in cells:
        groups.setdefault(costly_levels(plan, cell), []).append(cell)
    plots = list(groups.values())
    if plan.order.shuffle:
        chance.shuffle(plots)
        for plot in plots:
            chance.shuffle(plot)
    yield from plots


def costly_levels(plan: Plan, cell: Cell) -> str:
    """The levels of the cell's costly settings as one text; cells with equal texts can share an application."""
    return json.dumps([[use.host, use.selector, use.setting, use.level] for use in cell.settings
                       if use.setting in plan.costly], sort_keys=True)
