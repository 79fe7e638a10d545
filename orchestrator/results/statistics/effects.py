"""What each factor does: changes from one level to another, where they depend on another factor, and their intervals.

Convention: a change is the full difference between a level and the factor's first level, averaged over the levels of
the other factors (Box, Hunter and Hunter); the "effect" of NIST and of Jain is half of it. Goodput and CPU are compared
as ratios of geometric means, loss as a difference of ratios. Every interval is made from one figure per block, so it
holds for settings that are applied seldom as well (see grid).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from orchestrator.results.cells import valid_rows
from orchestrator.results.statistics.distributions import t_sf
from orchestrator.results.statistics.family import holm
from orchestrator.results.statistics.grid import Grid, make_grid
from orchestrator.results.statistics.intervals import Interval, mean_interval
from orchestrator.results.statistics.variation import Variation, variation

CONVENTION = (
    "A change is the full difference between a level and the factor's first level, averaged over the levels "
    "of the other factors; intervals are 95 %, from one figure per block."
)
LEVEL = 0.05


@dataclass(frozen=True)
class Response:
    """Something measured. `relative` ones are compared as ratios, the others as differences."""

    column: str
    name: str
    relative: bool


RESPONSES = (
    Response("goodput_bit_s", "goodput", relative=True),
    Response("loss_ratio", "loss", relative=False),
    Response("sender_cpu_s_per_gigabyte", "CPU per Gb/s of the sending host", relative=True),
    Response("receiver_cpu_s_per_gigabyte", "CPU per Gb/s of the receiving host", relative=True),
)


@dataclass(frozen=True)
class Change:
    """From a reference level to another; `when` is the level of another factor to which it is confined, or None.

    `estimate`, `low` and `high` are ratios - 1 for relative responses and differences for others; the ends are None
    with fewer than two blocks.
    """

    factor: str
    level: str
    reference: str
    when: tuple[str, str] | None
    estimate: float
    low: float | None
    high: float | None
    blocks: int


@dataclass(frozen=True)
class Interplay:
    """How the change of `factor` differs between two levels of `other`: a ratio of ratios - 1, or a difference.

    It is the same number the other way round, so each pair of factors stands once. `p_value` is adjusted over all
    interplays of the response (Holm); None with fewer than two blocks.
    """

    factor: str
    level: str
    reference: str
    other: str
    other_level: str
    other_reference: str
    estimate: float
    p_value: float | None


@dataclass(frozen=True)
class Effects:
    """The effects on one response, for one link and way."""

    link: str
    way: str
    response: Response
    grid: Grid
    variation: Variation
    changes: tuple[Change, ...]
    interplays: tuple[Interplay, ...]


def effects(trials: pd.DataFrame, factors: Sequence[str]) -> list[Effects]:
    """The effects in a run's trials.csv; nothing for a response that was not measured or does not vary."""
    rows = valid_rows(trials)
    found = []
    for (link, way), group in rows.groupby(["link", "way"], sort=False):
        for response in RESPONSES:
            made = _effects_of(group, factors, response)
            if made is not None:
                found.append(replace(made, link=str(link), way=str(way)))
    return found


def _effects_of(rows: pd.DataFrame, factors: Sequence[str], response: Response) -> Effects | None:
    if response.column not in rows:
        return None
    values = pd.to_numeric(rows[response.column]).astype(float)
    if response.relative:
        # a rate of zero has no ratio; its cell shows it
        values = pd.Series(np.log(values.where(values > 0).to_numpy()), index=values.index)
    if values.notna().sum() < 2 or float(np.ptp(values.dropna())) == 0:
        return None
    grid = make_grid(rows, values, factors)
    if not grid.varying():
        return None
    return Effects(
        "",
        "",
        response,
        grid,
        shares(grid),
        tuple(changes(grid, response)),
        tuple(_adjusted(list(interplays(grid, response)))),
    )


def shares(grid: Grid) -> Variation:
    """The share of the variation of each factor and pair of factors."""
    measured = np.argwhere(~np.isnan(grid.values))
    return variation([grid.cells[cell] for cell, _ in measured], grid.values[tuple(measured.T)], grid.varying())


def changes(grid: Grid, response: Response) -> Iterator[Change]:
    """Each level of each factor against its first: over all, and under each level of every other factor."""
    for factor in grid.varying():
        reference, *others = grid.levels[factor]
        for level in others:
            yield _change(grid, response, factor, level, None)
            for other in grid.varying():
                if other != factor:
                    yield from (
                        _change(grid, response, factor, level, (other, at))
                        for at in grid.levels[other]
                        if _measured(grid.restricted(other, at), factor, level, reference)
                    )


def interplays(grid: Grid, response: Response) -> Iterator[Interplay]:
    """Each pair of factors: how far the change of the one depends on the other."""
    for factor, other in itertools.combinations(grid.varying(), 2):
        reference, *levels = grid.levels[factor]
        for level in levels:
            at_first = grid.restricted(other, grid.levels[other][0]).differences(factor, level, reference)
            for at in grid.levels[other][1:]:
                by_block = grid.restricted(other, at).differences(factor, level, reference) - at_first
                known = by_block[~np.isnan(by_block)]
                if len(known):
                    yield Interplay(
                        factor,
                        level,
                        reference,
                        other,
                        at,
                        grid.levels[other][0],
                        _back(float(known.mean()), response),
                        _p_value(known),
                    )


def _measured(grid: Grid, factor: str, level: str, reference: str) -> bool:
    return bool(grid.cells) and not bool(np.isnan(grid.differences(factor, level, reference)).all())


def _change(grid: Grid, response: Response, factor: str, level: str, when: tuple[str, str] | None) -> Change:
    part = grid if when is None else grid.restricted(*when)
    reference = grid.levels[factor][0]
    by_block = part.differences(factor, level, reference)
    known = by_block[~np.isnan(by_block)]
    interval = mean_interval(known.tolist()) if len(known) else None
    return Change(
        factor,
        level,
        reference,
        when,
        _back(float(known.mean()), response) if len(known) else float("nan"),
        *_ends(interval, response),
        blocks=len(known),
    )


def _ends(interval: Interval | None, response: Response) -> tuple[float | None, float | None]:
    if interval is None:
        return None, None
    return _back(interval.low, response), _back(interval.high, response)


def _back(value: float, response: Response) -> float:
    """From the scale of computation to ratios - 1."""
    return float(np.expm1(value)) if response.relative else value


def _p_value(by_block: np.ndarray) -> float | None:
    """The t test of no interplay; one block has no test, and blocks equal to the bit leave no doubt."""
    if len(by_block) < 2:
        return None
    if np.ptp(by_block) == 0:
        return 1.0 if by_block[0] == 0 else 0.0
    error = by_block.std(ddof=1) / math.sqrt(len(by_block))
    return 2.0 * float(t_sf(abs(by_block.mean()) / error, len(by_block) - 1))


def _adjusted(found: list[Interplay]) -> Iterator[Interplay]:
    tested = [one for one in found if one.p_value is not None]
    for one, p_value in zip(tested, holm([one.p_value or 0.0 for one in tested]), strict=True):
        yield replace(one, p_value=p_value)
    yield from (one for one in found if one.p_value is None)
