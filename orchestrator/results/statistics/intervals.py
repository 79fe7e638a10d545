"""Confidence intervals of a mean: t for few values, bias-corrected bootstrap for many.

Why two: with 5 values a bootstrap interval covers 0.83 where it promises 0.95, t covers 0.95; from 20 values on the
bootstrap follows a skewed sample better. A plain bootstrap is too narrow by sqrt((n-1)/n) and by normal instead of
t quantiles, so its level is widened by just that (Hesterberg 2015, "What Teachers Should Know About the Bootstrap",
the expanded interval).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from orchestrator.results.statistics.distributions import t_isf

BOOTSTRAP_FROM = 20
LEVEL = 0.95
# 5000 draws place an end of the interval to about 2 % of its half width
_RESAMPLES = 4999
# A table that is written again must be the same table, so the resamples are drawn from a fixed seed.
_SEED = 2544
_BATCH = 100  # resamples held at once: for a thousand cells of a hundred values this is 80 MB


@dataclass(frozen=True)
class Interval:
    """An interval in the unit of its values, and how it was made."""

    low: float
    high: float
    method: str

    @property
    def half_width(self) -> float:
        """Half of high - low."""
        return (self.high - self.low) / 2

    def holds(self, value: float) -> bool:
        """Whether the value lies in it."""
        return self.low <= value <= self.high


def mean_interval(values: Sequence[float], *, level: float = LEVEL, widening: float = 1.0) -> Interval | None:
    """The interval of the mean of independent values; None for fewer than two.

    `widening` is for samples whose size was decided by looking at them (see stopping).
    """
    return mean_intervals(np.asarray([values], dtype=float), level=level, widening=widening)[0]


def mean_intervals(samples: np.ndarray, *, level: float = LEVEL, widening: float = 1.0) -> list[Interval | None]:
    """The same for many samples of one size at once, a row each: a table of a thousand cells is quick."""
    n = samples.shape[1]
    if n < 2:
        return [None] * len(samples)
    # Counts that are equal to the bit say that the resolution was too coarse to see the spread, not that it is nil.
    equal = np.ptp(samples, axis=1) == 0
    limits = np.column_stack([samples[:, 0], samples[:, 0]])
    if not equal.all():
        limits[~equal] = _limits(samples[~equal], level)
        middle = samples.mean(axis=1, keepdims=True)
        limits[~equal] = (middle + (limits - middle) * widening)[~equal]
    method = f"t, n {n}" if n < BOOTSTRAP_FROM else f"bootstrap BCa, n {n}"
    if widening != 1.0:
        method += f", widened by {widening:g} for early stopping"
    return [
        Interval(float(low), float(high), f"all {n} values equal" if same else method)
        for (low, high), same in zip(limits, equal, strict=True)
    ]


def _limits(samples: np.ndarray, level: float) -> np.ndarray:
    return _bootstrap_limits(samples, level) if samples.shape[1] >= BOOTSTRAP_FROM else t_limits(samples, level)


def t_limits(samples: np.ndarray, level: float = LEVEL) -> np.ndarray:
    """(low, high) of the t interval of each row's mean; rows of at least two values."""
    n = samples.shape[1]
    half = t_isf((1 - level) / 2, n - 1) * samples.std(axis=1, ddof=1) / np.sqrt(n)
    middle = samples.mean(axis=1)
    return np.column_stack([middle - half, middle + half])


def _bootstrap_limits(samples: np.ndarray, level: float) -> np.ndarray:
    from scipy import stats

    n = samples.shape[1]
    expanded = 1 - 2 * stats.norm.sf(np.sqrt(n / (n - 1)) * t_isf((1 - level) / 2, n - 1))
    found = stats.bootstrap(
        (samples,),
        np.mean,
        axis=-1,
        confidence_level=float(expanded),
        n_resamples=_RESAMPLES,
        batch=_BATCH,
        method="BCa",
        rng=np.random.default_rng(_SEED),
    )
    return np.column_stack([found.confidence_interval.low, found.confidence_interval.high])
