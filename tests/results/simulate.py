"""Simulated trials: how often the package's own intervals and verdicts are right. Draws come from fixed seeds.

Noise is in units of its standard deviation. "Skewed" is a gamma distribution of shape 4: skewness 1, about what trials
show that pile up below a ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from orchestrator.results.comparison.verdicts import Contrast, Sides, contrasts, differences
from orchestrator.results.statistics.effects import RESPONSES, changes
from orchestrator.results.statistics.grid import Grid
from orchestrator.results.statistics.intervals import Interval, mean_intervals
from orchestrator.results.statistics.stopping import BudgetCell, PrecisionRule, next_round
from orchestrator.results.statistics.summary import Sample, summarise_all

Draw = Callable[[np.random.Generator, tuple[int, ...]], np.ndarray]
SKEWNESS = 1.0


def normal(chance: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Mean 0, deviation 1, symmetric."""
    return chance.standard_normal(shape)


def skewed(chance: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Mean 0, deviation 1, skewness 1."""
    return chance.gamma(4.0, 1.0, shape) / 2 - 2


KINDS: dict[str, Draw] = {"normal": normal, "skewed by 1": skewed}
# what is asked of a 95 % interval, and of its width under early stopping against a fixed number of replicates
LEAST_COVERED = {"normal": 0.94, "skewed by 1": 0.90}
WIDEST = 1.3


@dataclass(frozen=True)
class Covered:
    """The share of intervals that hold the truth, their mean half width, and the mean number of replicates."""

    share: float
    half_width: float
    replicates: float


def _covered(intervals: list[Interval | None], truth: np.ndarray, sizes: np.ndarray) -> Covered:
    found = [(one.holds(at), one.half_width) for one, at in zip(intervals, truth, strict=True) if one is not None]
    assert len(found) == len(intervals)
    return Covered(
        sum(held for held, _ in found) / len(found), sum(half for _, half in found) / len(found), float(sizes.mean())
    )


def fixed(draw: Draw, n: int, count: int, *, drift: float = 0.0, blocks: float = 0.0, seed: int = 1) -> Covered:
    """Cells of `n` replicates, one per block; `drift` over the run and block effects in units of the noise."""
    values, truth = _blocked(draw, n, count, drift, blocks, seed)
    return _covered(mean_intervals(values), truth[:, -1], np.full(count, n))


def split_over_plots(
    draw: Draw, plots: int, count: int, *, error: float = 2.0, seed: int = 6
) -> tuple[Covered, Covered]:
    """Three trials of one cell in each application of its setting, whose own error is `error`.

    (intervals that know what the trials share, intervals that take every trial for a new one)
    """
    chance = np.random.default_rng(seed)
    values = 100 + np.repeat(error * draw(chance, (count, plots)), 3, axis=1) + draw(chance, (count, 3 * plots))
    units = np.repeat(np.arange(plots), 3).tolist()
    knowing = [summary.interval for summary in summarise_all([Sample(row, units) for row in values]) if summary]
    truth, sizes = np.full(count, 100.0), np.full(count, 3 * plots)
    return _covered(knowing, truth, sizes), _covered(mean_intervals(values), truth, sizes)


def _blocked(draw: Draw, n: int, count: int, drift: float, blocks: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """(values, the true mean over the first k blocks) of `count` cells in `n` blocks."""
    chance = np.random.default_rng(seed)
    moved = np.broadcast_to(drift * np.linspace(-0.5, 0.5, n), (count, n))
    values = 100 + moved + draw(chance, (count, n)) + blocks * chance.standard_normal((count, n))
    return values, 100 + np.cumsum(moved, axis=1) / np.arange(1, n + 1)


def stopped(
    draw: Draw, rule: PrecisionRule, count: int, *, drift: float = 0.0, blocks: float = 0.0, seed: int = 2
) -> Covered:
    """Cells that stop by the rule; many at once, by the same intervals that `precision` looks at."""
    values, truth = _blocked(draw, rule.max, count, drift, blocks, seed)
    ends: list[Interval | None] = [None] * count
    sizes = np.full(count, rule.max)
    going = np.arange(count)
    for n in range(rule.min, rule.max + 1):
        intervals = mean_intervals(values[going, :n], widening=rule.widening)
        still = []
        for place, interval in zip(going, intervals, strict=True):
            assert interval is not None
            if n == rule.max or interval.half_width <= rule.precision_ratio * abs(values[place, :n].mean()):
                ends[place], sizes[place] = interval, n
            else:
                still.append(place)
        going = np.array(still, dtype=int)
        if not len(going):
            break
    return _covered(ends, truth[np.arange(count), sizes - 1], sizes)


def against_fixed(draw: Draw, found: Covered, *, drift: float = 0.0, blocks: float = 0.0) -> float:
    """Half width / that of cells with as many replicates, decided beforehand, under the same noise."""
    return found.half_width / fixed(draw, round(found.replicates), 2000, drift=drift, blocks=blocks).half_width


def budgeted(draw: Draw, count: int, widening: float, *, seed: int = 3) -> Covered:
    """Four cells of unequal noise in a fixed time; every cell's interval counts."""
    chance = np.random.default_rng(seed)
    deviations = (0.5, 1.0, 1.0, 3.0)
    found: list[Interval | None] = []
    sizes, scales = [], []
    for _ in range(count):
        values = _spend(draw, chance, deviations, 40)
        for deviation, own in zip(deviations, values, strict=True):
            found += mean_intervals(np.array([own]), widening=widening)
            sizes.append(len(own))
            scales.append(deviation)
    return _covered(found, np.full(len(found), 100.0), np.array(sizes))


def _spend(draw: Draw, chance: np.random.Generator, deviations: tuple[float, ...], trials: int) -> list[list[float]]:
    values: list[list[float]] = [[] for _ in deviations]
    left = float(trials)
    while chosen := next_round([BudgetCell(number, own, 1.0) for number, own in enumerate(values)], left):
        for number in chosen:
            values[number].append(100 + deviations[number] * float(draw(chance, (1,))[0]))
            left -= 1
    return values


def split_plot(draw: Draw, blocks: int, count: int, *, plots: float = 2.0, seed: int = 4) -> Covered:
    """The change of a costly factor: its levels are applied once per block, with an error of the application's own."""
    chance = np.random.default_rng(seed)
    cells = tuple({"mtu": mtu, "streams": streams} for mtu in ("1500", "9000") for streams in ("1", "4", "16"))
    held, widths = 0, []
    for _ in range(count):
        applied = np.repeat(plots * draw(chance, (2, blocks)), 3, axis=0)
        whole_block = 5 * chance.standard_normal(blocks)
        values = np.repeat([[0.0], [7.0]], 3, axis=0) + applied + whole_block + draw(chance, (6, blocks))
        grid = Grid(("mtu", "streams"), {"mtu": ("1500", "9000"), "streams": ("1", "4", "16")}, cells, values)
        change = next(one for one in changes(grid, RESPONSES[1]) if one.factor == "mtu" and one.when is None)
        assert change.low is not None
        assert change.high is not None
        held += change.low <= 7.0 <= change.high
        widths.append((change.high - change.low) / 2)
    return Covered(held / count, float(np.mean(widths)), blocks)


@dataclass(frozen=True)
class Bench:
    """Two sides of a comparison: noise within a run and between runs, as shares of the goodput."""

    cells: int = 12
    runs: int = 1
    replicates: int = 5
    within: float = 0.01
    between: float = 0.0
    between_is_common: bool = False  # one deviation for all cells of a run, as after a boot
    change: float = 0.0  # of the first cell
    threshold: float = 0.03


def verdicts(bench: Bench, chance: np.random.Generator) -> list[Contrast]:
    """One comparison."""
    ours, theirs = (_side(bench, chance, change) for change in (0.0, bench.change))
    cells = [Sides(*pair) for pair in zip(ours, theirs, strict=True)]
    found = [one for one in differences(cells) if one is not None]
    assert len(found) == bench.cells
    return contrasts(found, [cell.sizes for cell in cells], threshold_ratio=bench.threshold)


def _side(bench: Bench, chance: np.random.Generator, change: float) -> list[list[float]]:
    """The independent values of each cell: the replicates of one run, or the means of several."""
    values = np.log1p(bench.within * chance.standard_normal((bench.cells, bench.runs, bench.replicates)))
    spread = chance.standard_normal((1 if bench.between_is_common else bench.cells, bench.runs, 1))
    values = values + bench.between * spread
    values[0] += math.log1p(change)
    return [list(cell[0] if bench.runs == 1 else cell.mean(axis=1)) for cell in values]


def words(bench: Bench, count: int, seed: int = 5) -> list[list[str]]:
    """The words of `count` comparisons, cell by cell."""
    chance = np.random.default_rng(seed)
    return [[verdict.word for verdict in verdicts(bench, chance)] for _ in range(count)]


def share_calling_a_change(found: list[list[str]]) -> float:
    """The share of comparisons in which some cell is called better or worse."""
    return sum(any(word in ("better", "worse") for word in cells) for cells in found) / len(found)


def share_of(found: list[list[str]], word: str, cell: int | None = None) -> float:
    """The share of cells (or of one cell) with a word."""
    chosen = [one for cells in found for one in (cells if cell is None else [cells[cell]])]
    return sum(one == word for one in chosen) / len(chosen)
