"""Cells by blocks: the shape in which effects are computed.

A block is one replicate of every cell, with whole plots of its own. Whatever is compared is compared within a block, so
one figure per block comes out, and the figures of different blocks are independent of each other: block effects cancel,
and what the trials of a whole plot share is in the spread between blocks, where an interval finds it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

ABSENT = ""  # the level where a factor does not apply


@dataclass(frozen=True)
class Grid:
    """`values[cell, block]`, not a number where nothing valid was measured; levels as text, in the plan's order."""

    factors: tuple[str, ...]
    levels: Mapping[str, tuple[str, ...]]
    cells: tuple[Mapping[str, str], ...]
    values: np.ndarray

    def varying(self) -> tuple[str, ...]:
        """The factors with at least two levels that apply."""
        return tuple(name for name in self.factors if len(self.levels[name]) > 1)

    def restricted(self, factor: str, level: str) -> Grid:
        """The cells with this level only."""
        keep = [place for place, cell in enumerate(self.cells) if cell[factor] == level]
        return Grid(self.factors, self.levels, tuple(self.cells[place] for place in keep), self.values[keep])

    def differences(self, factor: str, level: str, reference: str) -> np.ndarray:
        """value(level) - value(reference) for each block, averaged over all other levels that both have.

        A factor that applies on one side only (an intended load of datagrams, when transports are compared) is averaged
        over. A block without any complete pair gives no number.
        """
        ours, theirs = self._places(factor, level), self._places(factor, reference)
        shared = [name for name in self.factors if name != factor and not self._applies_to_one(name, ours, theirs)]
        pairs = [
            mean_of(self.values[places]) - mean_of(self.values[others])
            for key, places in self._by_levels(ours, shared).items()
            if (others := self._by_levels(theirs, shared).get(key))
        ]
        return mean_of(np.array(pairs)) if pairs else np.full(self.values.shape[1], np.nan)

    def _places(self, factor: str, level: str) -> list[int]:
        return [place for place, cell in enumerate(self.cells) if cell[factor] == level]

    def _applies_to_one(self, name: str, ours: Sequence[int], theirs: Sequence[int]) -> bool:
        here = {self.cells[place][name] == ABSENT for place in ours}
        there = {self.cells[place][name] == ABSENT for place in theirs}
        return here != there and (here == {True} or there == {True})

    def _by_levels(self, places: Sequence[int], names: Sequence[str]) -> dict[tuple[str, ...], list[int]]:
        grouped: dict[tuple[str, ...], list[int]] = {}
        for place in places:
            grouped.setdefault(tuple(self.cells[place][name] for name in names), []).append(place)
        return grouped


def make_grid(rows: pd.DataFrame, response: pd.Series, factors: Sequence[str]) -> Grid:
    """The grid of valid rows of one link and way; `response` has their values, missing where there is none."""
    ordered = rows.assign(response_=response.astype(float)).dropna(subset=["response_"]).sort_values("cell")
    table = ordered.pivot_table(index="cell", columns="block", values="response_", aggfunc="mean", sort=True)
    first = ordered.drop_duplicates("cell").set_index("cell")
    cells = tuple({name: level_text(first.at[cell, name]) for name in factors} for cell in table.index)
    levels = {name: tuple(dict.fromkeys(cell[name] for cell in cells if cell[name] != ABSENT)) for name in factors}
    return Grid(tuple(factors), levels, cells, table.to_numpy(dtype=float))


def level_text(level: object) -> str:
    """A level as text; what a table read back calls missing is absent."""
    return ABSENT if level is None or level != level else str(level)  # noqa: PLR0124 - not-a-number differs from itself


def mean_of(table: np.ndarray) -> np.ndarray:
    """The mean of each column over what is a number; not a number where nothing is."""
    known = ~np.isnan(table)
    count = known.sum(axis=0)
    total = np.where(known, table, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
