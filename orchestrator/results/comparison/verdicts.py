"""Better, worse, no change, or inconclusive: two sets of independent values compared as a ratio.

    better, worse  differs after Holm's adjustment over all cells, and the estimate is beyond the threshold
    no change      no change beyond the threshold, shown by two one-sided tests at 5 % (not assumed from a missing
                   difference)
    inconclusive   neither; with how many more values a side would settle it

The values of a side are its runs' means when a side has several runs: then what differs from run to run (a boot, an
interrupt's place, a port's hash) is in the spread. With one run a side they are the run's blocks, and what differs from
run to run is unknown. All on a logarithmic scale, so that "3 %" means the same at every rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.results.statistics.distributions import t_isf, t_sf
from orchestrator.results.statistics.family import holm

BETTER, WORSE, SAME, INCONCLUSIVE = "better", "worse", "no change", "inconclusive"
LEVEL = 0.05
POWER = 0.8
_MOST_VALUES = 1000
_LEAST_FOR_RANKS = 4


@dataclass(frozen=True)
class Difference:
    """candidate - reference on the logarithmic scale, with its standard error and degrees of freedom."""

    estimate: float
    error: float
    degrees: float

    def interval(self, level: float = 1 - LEVEL) -> tuple[float, float]:
        """The t interval of the estimate."""
        half = float(t_isf((1 - level) / 2, self.degrees)) * self.error
        return self.estimate - half, self.estimate + half

    def p_value(self) -> float:
        """The two-sided t test of no difference."""
        return min(1.0, 2 * self._tail(abs(self.estimate)))

    def equivalence_p_value(self, low: float, high: float) -> float:
        """Two one-sided tests that the difference lies between `low` and `high`; small when it is shown."""
        return max(self._tail(self.estimate - low), self._tail(high - self.estimate))

    def _tail(self, distance: float) -> float:
        """The chance of an estimate at least `distance` above the truth."""
        if self.error == 0:  # every value equal to the bit
            return 0.0 if distance > 0 else 1.0 if distance < 0 else 0.5
        return float(t_sf(distance / self.error, self.degrees))


@dataclass(frozen=True)
class Sides:
    """The independent values of one cell on both sides, as logarithms.

    `known_deviation` is (standard deviation, degrees of freedom) of single values, from elsewhere.
    """

    reference: Sequence[float]
    candidate: Sequence[float]
    known_deviation: tuple[float, float] | None = None

    @property
    def sizes(self) -> tuple[int, int]:
        """The numbers of values (reference, candidate)."""
        return len(self.reference), len(self.candidate)


def difference(sides: Sides) -> Difference | None:
    """The difference of one cell's means; None when nothing says how far the values scatter."""
    return differences([sides])[0]


def differences(cells: Sequence[Sides]) -> list[Difference | None]:
    """The differences of many cells; those with as many values are computed together.

    Both sides of two or more: Welch's test. One side of one value: the other side's spread stands for both.
    """
    found: list[Difference | None] = [None if 0 in cell.sizes else _with_one_spread(cell) for cell in cells]
    for places in _alike(cells):
        ours, theirs = (
            np.array([getattr(cells[place], side) for place in places], dtype=float)
            for side in ("candidate", "reference")
        )
        for place, one in zip(places, _welch(ours, theirs), strict=True):
            found[place] = one
    return found


def _alike(cells: Sequence[Sides]) -> Iterable[list[int]]:
    """The places of cells for Welch's test, those with as many values together."""
    groups: dict[tuple[int, int], list[int]] = {}
    for place, cell in enumerate(cells):
        if min(cell.sizes) >= 2 and cell.known_deviation is None:
            groups.setdefault(cell.sizes, []).append(place)
    return groups.values()


def _with_one_spread(cell: Sides) -> Difference | None:
    """Where one spread stands for both sides: a known one, or that of the only side that has several values."""
    ours, theirs = np.asarray(cell.candidate, dtype=float), np.asarray(cell.reference, dtype=float)
    estimate = float(ours.mean() - theirs.mean())
    if cell.known_deviation is not None:
        deviation, degrees = cell.known_deviation
    elif max(cell.sizes) < 2:
        return None
    else:
        more = ours if len(ours) > len(theirs) else theirs
        deviation, degrees = float(more.std(ddof=1)), float(len(more) - 1)
    return Difference(estimate, deviation * math.sqrt(1 / len(ours) + 1 / len(theirs)), degrees)


def _welch(ours: np.ndarray, theirs: np.ndarray) -> list[Difference]:
    """Welch's test of each row; rows without any spread have no test and need none."""
    estimates = ours.mean(axis=1) - theirs.mean(axis=1)
    varies = (np.ptp(ours, axis=1) > 0) | (np.ptp(theirs, axis=1) > 0)
    errors = np.zeros(len(ours))
    degrees = np.full(len(ours), float(ours.shape[1] + theirs.shape[1] - 2))
    if varies.any():
        from scipy import stats

        found = stats.ttest_ind(ours[varies], theirs[varies], axis=1, equal_var=False)
        # the standard error out of scipy's own interval, so that there is one computation of Welch's test
        interval = found.confidence_interval(1 - LEVEL)
        degrees[varies] = found.df
        errors[varies] = (interval.high - interval.low) / 2 / t_isf(LEVEL / 2, found.df)
    return [
        Difference(float(estimate), float(error), float(df))
        for estimate, error, df in zip(estimates, errors, degrees, strict=True)
    ]


def rank_p_value(reference: Sequence[float], candidate: Sequence[float]) -> float | None:
    """Mann and Whitney's test of the same values: one outlier cannot carry it.

    None with fewer than four values a side: the smallest p value they can give is above 5 %.
    """
    if min(len(reference), len(candidate)) < _LEAST_FOR_RANKS:
        return None
    from scipy import stats

    return float(stats.mannwhitneyu(candidate, reference, alternative="two-sided").pvalue)


@dataclass(frozen=True)
class Contrast:
    """The two sides of one cell against each other. Ratios are candidate / reference.

    `p_value` is adjusted over the family; `more` is values a side, beyond those there are, and None where it is not
    asked or no number would do.
    """

    word: str
    ratio: float
    low: float
    high: float
    p_value: float
    equivalence_p_value: float
    more: int | None = None


def contrasts(
    differences: Sequence[Difference],
    sizes: Sequence[tuple[int, int]],
    *,
    threshold_ratio: float,
    higher_is_better: bool = True,
    level: float = LEVEL,
) -> list[Contrast]:
    """The contrasts of a family of cells; `sizes` are the numbers of values (reference, candidate)."""
    adjusted = holm([one.p_value() for one in differences])
    return [
        _contrast(
            one, p_value, size, threshold_ratio, higher_is_better=higher_is_better, level=level, family=len(differences)
        )
        for one, p_value, size in zip(differences, adjusted, sizes, strict=True)
    ]


def _contrast(
    found: Difference,
    p_value: float,
    size: tuple[int, int],
    threshold: float,
    *,
    higher_is_better: bool,
    level: float,
    family: int,
) -> Contrast:
    least, most = math.log1p(-threshold), math.log1p(threshold)
    equivalence = found.equivalence_p_value(least, most)
    low, high = found.interval()
    word, more = INCONCLUSIVE, None
    if p_value < level and not least < found.estimate < most:
        word = BETTER if (found.estimate > 0) == higher_is_better else WORSE
    elif equivalence < level:
        word = SAME
    else:
        more = values_needed(found, size, threshold, level=level, family=family)
    return Contrast(word, math.exp(found.estimate), math.exp(low), math.exp(high), p_value, equivalence, more)


def values_needed(
    found: Difference, size: tuple[int, int], threshold: float, *, level: float = LEVEL, family: int = 1
) -> int | None:
    """How many more values a side would settle it with a chance of 80 %, if estimate and spread stay as they are.

    Beyond the threshold: until the difference shows at Holm's first step; within it: until "no change" shows. None when
    more than a thousand would be needed, as for an estimate that lies at the threshold itself.
    """
    harmonic = 2 / (1 / size[0] + 1 / size[1])
    deviation = found.error * math.sqrt(harmonic / 2)  # of single values, as if both sides had as many
    if deviation == 0:
        return 1
    sizes = _growing(max(2, *size))
    errors = deviation * np.sqrt(2 / sizes)
    least, most = math.log1p(-threshold), math.log1p(threshold)
    if least < found.estimate < most:
        chances = _chances_to_equal((found.estimate - least, most - found.estimate), errors, 2 * sizes - 2, level)
    else:
        chances = _chances_to_differ(abs(found.estimate), errors, 2 * sizes - 2, level / family)
    enough = sizes[chances >= POWER]
    return max(1, int(enough[0]) - min(size)) if len(enough) else None


def _growing(first: int) -> np.ndarray:
    """Sizes to try: every one at first, then in steps of a tenth."""
    sizes = []
    size = first
    while size <= _MOST_VALUES:
        sizes.append(size)
        size = max(size + 1, int(size * 1.1))
    return np.array(sizes)


def _chances_to_differ(estimate: float, errors: np.ndarray, degrees: np.ndarray, level: float) -> np.ndarray:
    """The power of the two-sided t test, from the noncentral t distribution."""
    from scipy import stats

    return np.asarray(stats.nct.sf(t_isf(level / 2, degrees), degrees, estimate / errors))


def _chances_to_equal(room: tuple[float, float], errors: np.ndarray, degrees: np.ndarray, level: float) -> np.ndarray:
    """The power of the two one-sided tests by the usual sum of both tails (a lower bound); `room` is to each limit."""
    from scipy import stats

    needed = t_isf(level, degrees)
    above, below = (stats.nct.sf(needed, degrees, distance / errors) for distance in room)
    return np.asarray(above + below - 1)
