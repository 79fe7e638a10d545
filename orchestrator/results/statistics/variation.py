"""How much of the variation each factor and each pair of factors accounts for.

Sums of squares of a linear model with main effects and interactions, each term given all terms that do not contain it
(type II), so that trials that are missing or suspect do not hand one factor's share to another. In a balanced plan
these are the shares of every textbook, and with what replicates leave they add up to 1.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.results.statistics.distributions import f_sf


@dataclass(frozen=True)
class Term:
    """A factor, or factors together; `share` of the total sum of squares."""

    factors: tuple[str, ...]
    sum_squares: float
    degrees: int
    share: float


@dataclass(frozen=True)
class Variation:
    """All terms, the largest share first; the rest is what replicates of one cell differ by (and what has no term)."""

    terms: tuple[Term, ...]
    rest_sum_squares: float
    rest_degrees: int
    total_sum_squares: float

    @property
    def rest_share(self) -> float:
        """The share that no term accounts for."""
        return self.rest_sum_squares / self.total_sum_squares if self.total_sum_squares else 0.0

    def f_ratio(self, term: Term) -> float:
        """Mean square of the term / mean square of the rest; for plans without whole plots."""
        return (term.sum_squares / term.degrees) / (self.rest_sum_squares / self.rest_degrees)

    def p_value(self, term: Term) -> float:
        """The F test of that ratio."""
        return float(f_sf(self.f_ratio(term), term.degrees, self.rest_degrees))


def variation(
    cells: Sequence[Mapping[str, str]], values: Sequence[float] | np.ndarray, factors: Sequence[str], *, order: int = 2
) -> Variation:
    """The shares for one value per entry of `cells` (its levels), with terms of up to `order` factors.

    A term that the others already describe (a factor that applies under one level of another only) has no degrees of
    freedom of its own and is left out.
    """
    measured = np.asarray(values, dtype=float)
    centred = measured - measured.mean()  # large common leading digits would eat the precision of the squares
    # All terms are alike for the replicates of a cell, so their mean, weighted, stands for them: the same squares from
    # one row per cell, however many replicates there are.
    cells, means, weights, within = _cell_means(cells, centred, factors)
    names = [term for size in range(1, order + 1) for term in itertools.combinations(factors, size)]
    columns = {term: weights[:, None] * _columns(cells, term) for term in names}
    ones, weighted = weights[:, None], weights * means
    full = _fit(weighted, [ones, *columns.values()])
    total = float(centred @ centred)
    terms = []
    for term in names:
        others = [columns[other] for other in names if not set(term) <= set(other)]
        without = _fit(weighted, [ones, *others])
        with_it = _fit(weighted, [ones, *others, columns[term]])
        degrees = with_it.rank - without.rank
        if degrees:
            squares = max(0.0, without.rest - with_it.rest)
            terms.append(Term(term, squares, degrees, squares / total if total else 0.0))
    terms.sort(key=lambda term: -term.share)
    return Variation(tuple(terms), full.rest + within, len(measured) - full.rank, total)


def _cell_means(
    cells: Sequence[Mapping[str, str]], values: np.ndarray, factors: Sequence[str]
) -> tuple[list[Mapping[str, str]], np.ndarray, np.ndarray, float]:
    """(each different cell once, the mean of its values, the root of their number, the squares within cells)."""
    first: dict[tuple[str, ...], int] = {}
    kinds: list[Mapping[str, str]] = []
    place = np.empty(len(values), dtype=int)
    for number, cell in enumerate(cells):
        key = tuple(cell[name] for name in factors)
        if key not in first:
            first[key] = len(kinds)
            kinds.append(cell)
        place[number] = first[key]
    counts = np.bincount(place)
    means = np.bincount(place, weights=values) / counts
    within = values - means[place]
    return kinds, means, np.sqrt(counts), float(within @ within)


@dataclass(frozen=True)
class _Fit:
    rest: float
    rank: int


def _fit(values: np.ndarray, blocks: Sequence[np.ndarray]) -> _Fit:
    """The residual sum of squares and rank of a model, by an orthogonal basis of its columns."""
    matrix = np.hstack(blocks)
    basis, sizes, _ = np.linalg.svd(matrix, full_matrices=False)
    rank = int((sizes > sizes[0] * max(matrix.shape) * np.finfo(float).eps).sum())
    kept = basis[:, :rank]
    left = values - kept @ (kept.T @ values)
    left -= kept @ (kept.T @ left)  # once more: takes away what rounding left behind
    return _Fit(float(left @ left), rank)


def _columns(cells: Sequence[Mapping[str, str]], term: Sequence[str]) -> np.ndarray:
    """One indicator column for each combination of levels that occurs."""
    keys = [tuple(cell[name] for name in term) for cell in cells]
    place = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    columns = np.zeros((len(cells), len(place)))
    columns[np.arange(len(cells)), [place[key] for key in keys]] = 1.0
    return columns
