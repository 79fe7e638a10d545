"""The order of trials: blocks of one replicate of every cell, shuffled by a seed; costly settings changed seldom."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator, MutableSequence, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from orchestrator.planning.cells import Cell
from orchestrator.planning.plan import Plan

_MASK = 2**64 - 1


# A control trial at the head of each block takes what is odd about the first trial after a boot or a pause, and its
# trend over the blocks is the statement about drift. By default where it costs at most a tenth more and there are the
# five blocks that a trend needs.
CONTROL_FROM_CELLS, CONTROL_FROM_REPLICATES = 10, 5
MOST_REPLICATES = 20  # of a cell whose number of replicates is left open and has no upper bound of its own


@dataclass(frozen=True)
class Trial:
    """One measurement of one cell; trials of one whole plot share one application of the costly settings."""

    position: int
    cell: int
    replicate: int
    block: int
    whole_plot: int
    role: Literal["measure", "control", "rehearse"] = "measure"


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


def schedule(plan: Plan, cells: Sequence[Cell], *, replicates: int | None = None) -> tuple[Trial, ...]:
    """Every trial of the plan in order, or of so many replicates of it: what comes first stays the same.

    Within a block, cells with the same costly levels stay together as one whole plot; the whole plots are shuffled, and
    the cells within each. A whole plot ends with its block even when the next begins with the same levels, so that each
    block stands on applications of its own. A control trial, where there is one, is a whole plot by itself.

    What takes a restart lies outermost: whole plots of one start stay together, and a block begins with the start that
    the block before it ended with, so that the hosts are restarted as seldom as possible. The rest is shuffled.
    """
    chance = SplitMix(plan.order.seed)
    plots = whole_plots(plan, cells)
    trials: list[Trial] = []
    plot = 0
    control = control_cell(plan, cells)
    running = cells[0].start if cells else ""  # of the last whole plot; the rehearsal is on the first cell's
    for block in range(1, (replicates or replicate_range(plan)[0]) + 1):
        if control is not None:
            plot += 1
            trials.append(Trial(len(trials) + 1, control.number, block, block, plot, "control"))
        groups = _shuffled(plots, chance if plan.order.shuffle else None)
        for group in in_starts(groups, running):
            running = group[0].start
            plot += 1
            trials += [
                Trial(len(trials) + place, cell.number, block, block, plot) for place, cell in enumerate(group, 1)
            ]
    return tuple(trials)


def control_cell(plan: Plan, cells: Sequence[Cell]) -> Cell | None:
    """The cell whose extra trial opens each block: the plan's first; None where there is none."""
    wanted = plan.order.control
    if wanted is None:
        wanted = len(cells) >= CONTROL_FROM_CELLS and replicate_range(plan)[0] >= CONTROL_FROM_REPLICATES
        wanted = wanted and not plan.restarts  # the first cell may take a restart, which would cost far more than that
    return cells[0] if wanted and cells else None


LEAST_FOR_PRECISION = 3  # replicates before the first look: with two, agreement by chance stops far too many cells


def replicate_range(plan: Plan) -> tuple[int, int]:
    """(least, most) replicates of a cell; equal unless a precision or a budget decides how many there will be."""
    bounds = plan.trial.replicate_bounds
    if plan.budget_s is None and plan.trial.precision_ratio is None:
        return bounds.min, bounds.min
    most = bounds.max if bounds.max > bounds.min else max(bounds.min, MOST_REPLICATES)
    return (1 if plan.budget_s is not None else bounds.min), most


def whole_plots(plan: Plan, cells: Sequence[Cell]) -> list[list[Cell]]:
    """The cells in groups that can share one application of the costly settings."""
    costly = plan.costly
    groups: dict[str, list[Cell]] = {}
    for cell in cells:
        levels = [[use.host, use.selector, use.setting, use.level] for use in cell.settings if use.setting in costly]
        groups.setdefault(json.dumps(levels, sort_keys=True), []).append(cell)
    return list(groups.values())


def in_starts(plots: Iterable[list[Cell]], running: str) -> list[list[Cell]]:
    """The whole plots, those of one start together in their order; those of the running start first."""
    starts: dict[str, list[list[Cell]]] = {}
    for plot in plots:
        starts.setdefault(plot[0].start, []).append(plot)
    order = sorted(starts, key=lambda start: start != running)  # stable: the others keep the order of chance
    return [plot for start in order for plot in starts[start]]


def restarts(trials: Sequence[Trial], cells: Sequence[Cell]) -> int:
    """How often the hosts are restarted when every trial succeeds, the way back to how they were found included.

    One for each change of what they are started with; hosts that change together are restarted together.
    """
    starts = {cell.number: cell.start for cell in cells}
    if not any(starts.values()):
        return 0
    sequence = [starts[trial.cell] for trial in trials]
    changes = sum(one != other for one, other in itertools.pairwise(sequence))
    return changes + 2 if sequence else 0


def _shuffled(plots: list[list[Cell]], chance: SplitMix | None) -> Iterator[list[Cell]]:
    """One replicate of every cell, in whole plots; in the plan's order where there is no chance."""
    block = [list(plot) for plot in plots]
    if chance is not None:
        chance.shuffle(block)
        for plot in block:
            chance.shuffle(plot)
    yield from block
