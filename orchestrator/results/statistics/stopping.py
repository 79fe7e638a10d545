"""Enough, and no more: how many replicates a cell needs for a precision, and where a fixed time is spent best.

Stopping when an interval happens to be narrow stops more readily on samples that happen to agree, so the plain interval
covers less than it promises (0.92 instead of 0.95 from five replicates on, 0.90 where the values are skewed by 1).
Here the interval is widened before it is held against the precision, and the widened one is reported: simulated, it
covers at least 0.95 (normal) and 0.92 (skewed by 1) at every precision, and is at most 1.3 times as wide as that of a
fixed number of replicates. `tests/proofs/interval_coverage.py` prints the figures.

Pure arithmetic on values; who asks decides what to run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.planning.order import LEAST_FOR_PRECISION
from orchestrator.results.statistics.intervals import Interval, mean_interval

LEAST = LEAST_FOR_PRECISION
# replicates before the first look -> how much wider the interval must be (simulated; the fewer, the more it takes)
_WIDENING = ((8, 1.10), (5, 1.15), (4, 1.20), (3, 1.30))


def widening(least: int) -> float:
    """How much wider intervals must be when stopping may happen from `least` replicates on."""
    for enough, factor in _WIDENING:
        if least >= enough:
            return factor
    raise ValueError(f"stopping from {least} replicates on cannot be made honest: at least {LEAST}")


@dataclass(frozen=True)
class PrecisionRule:
    """Half the interval is at most a share of the mean: `precision: 2%, replicates: {min: 5, max: 20}`."""

    precision_ratio: float
    min: int = 5
    max: int = 20

    def __post_init__(self) -> None:
        widening(self.min)
        if not 0 < self.precision_ratio < 1 or self.max < self.min:
            raise ValueError(f"no rule: precision {self.precision_ratio}, replicates {self.min} to {self.max}")

    @property
    def widening(self) -> float:
        """How much wider this rule's intervals are."""
        return widening(self.min)


@dataclass(frozen=True)
class Precision:
    """Where a cell stands: `enough` says to stop, `met` that the precision is reached, `more` how many it may take."""

    enough: bool
    met: bool
    interval: Interval | None
    half_width_ratio: float | None
    more: int


def precision(rule: PrecisionRule, values: Sequence[float]) -> Precision:
    """Whether a cell has enough independent valid values (one per block, or per whole plot)."""
    interval = mean_interval(values, widening=rule.widening)
    ratio = _half_width_ratio(interval, values)
    met = len(values) >= rule.min and ratio is not None and ratio <= rule.precision_ratio
    enough = met or len(values) >= rule.max
    return Precision(enough, met, interval, ratio, 0 if enough else _more(rule, len(values), ratio))


def _half_width_ratio(interval: Interval | None, values: Sequence[float]) -> float | None:
    mean = abs(float(np.mean(values))) if len(values) else 0.0
    if interval is None:
        return None
    return interval.half_width / mean if mean else math.inf


def _more(rule: PrecisionRule, n: int, ratio: float | None) -> int:
    """About how many more: half a width shrinks with the square root of the number."""
    if n < rule.min or ratio is None:
        return rule.min - n if n < rule.min else 1
    wanted = math.ceil(min(rule.max, n * (ratio / rule.precision_ratio) ** 2))
    return max(1, min(rule.max, wanted) - n)


@dataclass(frozen=True)
class BudgetCell:
    """A cell in a fixed budget: its values so far, what one trial takes, and its whole plot's costly levels.

    `plot_s` is what applying these levels takes; cells of one plot share it within a block.
    """

    number: int
    values: Sequence[float]
    trial_s: float
    plot: str = ""
    plot_s: float = 0.0


def next_round(cells: Sequence[BudgetCell], remaining_s: float, *, least: int = 5) -> tuple[int, ...]:
    """The cells to measure in the next block of a fixed time; none when no trial fits any more.

    Every cell first gets `least` replicates; then time goes where the widest intervals are. The whole remaining time
    is planned each round and only its first block run, because the next values may say otherwise.
    """
    short = [cell for cell in cells if len(cell.values) < least]
    if short:
        return _that_fit(sorted(short, key=lambda cell: len(cell.values)), remaining_s)
    return _that_fit(_widest_first(cells, remaining_s), remaining_s)


def _widest_first(cells: Sequence[BudgetCell], remaining_s: float) -> list[BudgetCell]:
    """The cells that a plan for the remaining time repeats at least once, in the order in which it does."""
    width = {cell.number: _half_width_ratio(mean_interval(cell.values), cell.values) or 0.0 for cell in cells}
    size = {cell.number: len(cell.values) for cell in cells}
    chosen: dict[int, BudgetCell] = {}
    left = remaining_s
    while True:
        fitting = [cell for cell in cells if _cost(cell, chosen.values()) <= left and width[cell.number] > 0]
        if not fitting:
            return list(chosen.values())
        widest = max(fitting, key=lambda cell: (width[cell.number], -cell.number))
        left -= _cost(widest, chosen.values())
        chosen.setdefault(widest.number, widest)
        count = size[widest.number]
        width[widest.number] *= math.sqrt(count / (count + 1))
        size[widest.number] += 1


def _that_fit(ordered: Iterable[BudgetCell], remaining_s: float) -> tuple[int, ...]:
    chosen: list[BudgetCell] = []
    for cell in ordered:
        cost = _cost(cell, chosen)
        if cost <= remaining_s:
            remaining_s -= cost
            chosen.append(cell)
    return tuple(cell.number for cell in chosen)


def _cost(cell: BudgetCell, chosen: Iterable[BudgetCell]) -> float:
    """Seconds of one more trial: its plot's levels are applied once per block."""
    applied = any(other.plot == cell.plot for other in chosen)
    return cell.trial_s + (0.0 if applied else cell.plot_s)
