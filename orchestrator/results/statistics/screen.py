"""What the fraction of a screen shows: one figure for each group of effects that it cannot tell apart.

A change here is the full difference between the means at the two levels, as everywhere in the report; the "effect" of
Jain and of the NIST glossary is half of it. Goodput is compared as ratios of geometric means.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from orchestrator.planning.fraction import Fraction, made_again
from orchestrator.results.cells import valid_rows
from orchestrator.results.statistics.distributions import t_isf
from orchestrator.results.statistics.intervals import mean_intervals
from orchestrator.results.write import cell_text, restore_text

# What the spread is taken from. `replicates`: of each run around its mean. `blocked`: the same, block effects removed.
# `blocks`: the estimates of the blocks around their mean, the only one that holds where runs of a block share one
# application of a costly level.
Spread = Literal["replicates", "blocked", "blocks"]


@dataclass(frozen=True)
class ScreenEffect:
    """A full difference, with its interval when replicates say how far values scatter; `aliases` it stands for too."""

    factors: frozenset[str]
    aliases: tuple[frozenset[str], ...]
    difference: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Screened:
    """What a screen found, the greatest difference first. `deviation` is that of replicates, with its degrees."""

    mean: float
    deviation: float | None
    degrees: int
    effects: tuple[ScreenEffect, ...]


def screened(
    design: Fraction, values: Sequence[Sequence[float]], *, level: float = 0.95, spread: Spread = "replicates"
) -> Screened:
    """The effects from the values of each run of the design, as many replicates each; replicate n lies in block n.

    ValueError when a run has none or another number: repeat what is missing, or the columns are no longer orthogonal.
    """
    table = np.array([list(run) for run in values], dtype=float) if len({len(run) for run in values}) == 1 else None
    if table is None or table.shape[0] != len(design.runs) or table.shape[1] < 1:
        raise ValueError(f"a screen needs the same number of values for each of its {len(design.runs)} runs")
    groups = design.groups()
    contrasts = np.array([_signs(design, group[0]) for group in groups]) @ table * (2 / len(design.runs))
    deviation, degrees = _deviation(table, spread)
    ends = _ends(contrasts, table, deviation, degrees, level, spread)
    found = [
        ScreenEffect(group[0], tuple(group[1:]), float(contrast.mean()), low, high)
        for group, contrast, (low, high) in zip(groups, contrasts, ends, strict=True)
    ]
    return Screened(
        float(table.mean()), deviation, degrees, tuple(sorted(found, key=lambda effect: -abs(effect.difference)))
    )


def _signs(design: Fraction, effect: frozenset[str]) -> list[int]:
    places = [design.factors.index(name) for name in effect]
    return [math.prod(run[place] for place in places) for run in design.runs]


def _deviation(table: np.ndarray, spread: Spread) -> tuple[float | None, int]:
    runs, replicates = table.shape
    left = table - table.mean(axis=1, keepdims=True)
    degrees = runs * (replicates - 1)
    if spread != "replicates":
        left = left - left.mean(axis=0)
        degrees = (runs - 1) * (replicates - 1)
    return (float(np.sqrt((left**2).sum() / degrees)), degrees) if degrees else (None, 0)


def _ends(
    contrasts: np.ndarray, table: np.ndarray, deviation: float | None, degrees: int, level: float, spread: Spread
) -> list[tuple[float | None, float | None]]:
    if deviation is None:
        return [(None, None)] * len(contrasts)
    if spread == "blocks":
        return [
            (interval.low, interval.high) if interval else (None, None)
            for interval in mean_intervals(contrasts, level=level)
        ]
    half = float(t_isf((1 - level) / 2, degrees)) * 2 * deviation / math.sqrt(table.size)
    return [(float(middle) - half, float(middle) + half) for middle in contrasts.mean(axis=1)]


@dataclass(frozen=True)
class Screen:
    """A run's screen of goodput on one link; `way` is '' where the ways differ between its cells and are averaged.

    `found` is on the scale of logarithms and None when nothing can be said, for which `missing` has the cells without a
    valid trial in any block; `blocks` is how many blocks have every cell, `of_blocks` how many there were.
    """

    link: str
    way: str
    design: Fraction
    levels: Mapping[str, tuple[str, str]]
    found: Screened | None
    spread: Spread
    blocks: int
    of_blocks: int
    missing: tuple[int, ...]


def screens_of(run: Mapping[str, Any], trials: pd.DataFrame) -> list[Screen]:
    """The screens of a run whose plan asked for one, from run.json and trials.csv; none otherwise."""
    stored = run.get("screen")
    if not isinstance(stored, dict) or not len(trials):
        return []
    try:
        design = made_again(stored)
        levels = {name: (_text(stored["levels"][name][0]), _text(stored["levels"][name][1])) for name in design.factors}
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        return []
    if any(name not in trials for name in design.factors):
        return []
    return [
        screen
        for link, rows in trials.groupby("link", sort=False)
        for screen in _of_link(str(link), rows, design, levels)
    ]


def _text(level: Any) -> str:
    """A level of run.json as trials.csv has it."""
    return restore_text(cell_text(level))


def _of_link(link: str, rows: pd.DataFrame, design: Fraction, levels: Mapping[str, tuple[str, str]]) -> list[Screen]:
    ways = list(dict.fromkeys(rows["way"]))
    alike = rows.groupby("cell")["way"].nunique().min() == len(ways)
    return [
        _screen(link, way, rows[rows["way"] == way] if way else rows, design, levels)
        for way in (ways if alike else [""])
    ]


def _screen(link: str, way: str, rows: pd.DataFrame, design: Fraction, levels: Mapping[str, tuple[str, str]]) -> Screen:
    number_of = {signs: place for place, signs in enumerate(design.runs)}
    run_of = {
        int(row["cell"]): number_of[signs]
        for row in rows.drop_duplicates("cell").to_dict("records")
        if (signs := _run(row, design, levels)) in number_of
    }
    blocks = sorted({int(block) for block in rows["block"].dropna() if block > 0})
    table = np.full((len(design.runs), len(blocks)), np.nan)
    good = valid_rows(rows)
    good = good[good["goodput_bit_s"] > 0]
    means = good.groupby(["cell", "block"], as_index=False)["goodput_bit_s"].mean()
    for cell, block, mean in zip(means["cell"], means["block"], means["goodput_bit_s"], strict=True):
        if int(cell) in run_of and int(block) in blocks:
            table[run_of[int(cell)], blocks.index(int(block))] = math.log(mean)
    whole = ~np.isnan(table).any(axis=0)
    missing = tuple(sorted(cell for cell, run in run_of.items() if np.isnan(table[run]).all()))
    shared = bool((good.groupby(["block", "whole_plot"])["cell"].nunique() > 1).any())
    spread: Spread = "blocks" if shared else "blocked"
    found = screened(design, table[:, whole].tolist(), spread=spread) if whole.any() else None
    return Screen(link, way, design, levels, found, spread, int(whole.sum()), len(blocks), missing)


def _run(row: Mapping[Hashable, Any], design: Fraction, levels: Mapping[str, tuple[str, str]]) -> tuple[int, ...]:
    """The run of the design that a row's levels are; () when they are none of it."""
    signs = []
    for name in design.factors:
        text = "" if row[name] is None else str(row[name])
        if text not in levels[name]:
            return ()
        signs.append(1 if text == levels[name][1] else -1)
    return tuple(signs)
