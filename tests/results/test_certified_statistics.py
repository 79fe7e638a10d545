"""Means, deviations, intervals and tests against NIST StRD, the NIST/SEMATECH e-Handbook, R and the bootstrap's books.

The tests of scipy are called here exactly as the package calls them, so that an argument that asks for the wrong
variant of a test is found out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from orchestrator.results.statistics.intervals import mean_interval, t_limits
from orchestrator.results.statistics.summary import Sample, outliers, skewness, summarise, summarise_all, trend
from tests.results.nist_data import (
    AUTO83B_JAPAN,
    AUTO83B_US,
    LEW,
    LOTTERY,
    MAVRO,
    MICHELSO,
    NUMACC1,
    NUMACC2,
    NUMACC3,
    NUMACC4,
    ZARR13,
)

# NIST StRD, univariate summary statistics: set, mean, standard deviation (n - 1), correct digits that a sound
# two-pass computation in double precision reaches
CERTIFIED = [
    ("Lottery", LOTTERY, 518.958715596330, 291.699727470969, 14),
    ("Lew", LEW, -177.435000000000, 277.332168044316, 14),
    ("Michelso", MICHELSO, 299.852400000000, 0.0790105478190518, 13),
    ("Mavro", MAVRO, 2.00185600000000, 0.000429123454003053, 12.5),
    ("NumAcc1", NUMACC1, 10000002, 1, 14),
    ("NumAcc2", NUMACC2, 1.2, 0.1, 13),
    ("NumAcc3", NUMACC3, 1000000.2, 0.1, 9),
    ("NumAcc4", NUMACC4, 10000000.2, 0.1, 8),
]


def correct_digits(found: float, certified: float) -> float:
    """-log10 of the relative error, at most 15."""
    error = abs(found - certified) / abs(certified)
    return 15.0 if error == 0 else min(15.0, -math.log10(error))


@pytest.mark.parametrize(("name", "values", "mean", "deviation", "digits"), CERTIFIED, ids=lambda one: str(one)[:8])
def test_mean_and_deviation_have_the_certified_digits(
    name: str, values: list[float], mean: float, deviation: float, digits: float
) -> None:
    summary = summarise(Sample(values))
    assert summary is not None
    assert summary.deviation is not None
    assert correct_digits(summary.mean, mean) >= 14
    assert correct_digits(summary.deviation, deviation) >= digits


def test_the_confidence_limits_of_zarr13() -> None:
    """e-Handbook 1.3.5.2: N 195, mean 9.261460, s 0.022789, 95 % limits (9.258242, 9.264679)."""
    sample = ZARR13
    summary = summarise(Sample(ZARR13))
    assert summary is not None
    assert (summary.n, summary.mean, summary.deviation) == (
        195,
        pytest.approx(9.261460, abs=1e-6),
        pytest.approx(0.022789, abs=1e-6),
    )
    assert t_limits(np.array([sample]))[0] == pytest.approx((9.258242, 9.264679), abs=1e-6)
    # the bootstrap, which is used for so many values, must agree where the sample is as good as normal
    assert summary.interval is not None
    assert summary.interval.method.startswith("bootstrap")
    by_t = t_limits(np.array([sample]))[0]
    assert (summary.interval.low, summary.interval.high) == pytest.approx(by_t, abs=0.05 * 0.0032)


def test_ten_particle_counts() -> None:
    """e-Handbook 7.2.2: mean 53.7, s 6.567, t 1.782 against 50 with 9 degrees of freedom."""
    values = [50, 48, 44, 56, 61, 52, 53, 55, 67, 51]
    summary = summarise(Sample(values))
    assert summary is not None
    assert (summary.mean, summary.deviation) == (pytest.approx(53.7), pytest.approx(6.567, abs=5e-4))
    assert summary.interval is not None
    # t = (mean - 50) / standard error, and the half width is 2.262 standard errors (t table, 9 degrees of freedom)
    assert (summary.mean - 50) / (summary.interval.half_width / 2.262157) == pytest.approx(1.782, abs=5e-4)


def test_paired_differences_of_jain() -> None:
    """Jain 1991, example 13.5: mean difference -0.3167, 90 % interval (-7.7488, 7.1155)."""
    pairs = [(5.4, 19.1), (16.6, 3.5), (0.6, 3.4), (1.4, 2.5), (0.6, 3.6), (7.3, 1.7)]
    interval = mean_interval([first - second for first, second in pairs], level=0.90)
    assert interval is not None
    # the book rounds the t quantile to 2.015
    assert (interval.low, interval.high) == (pytest.approx(-7.7488, abs=2e-3), pytest.approx(7.1155, abs=2e-3))


BOOT_SAMPLE = [10, 12, 12.5, 12.5, 13.9, 15, 21, 22, 23, 34, 50, 81, 89, 121, 134, 213]


def test_the_bootstrap_is_the_bias_corrected_one_of_r() -> None:
    """R boot with a million resamples, recorded in scipy's tests: BCa (32.31, 91.43), percentile (28.86, 84.21)."""
    found = stats.bootstrap(
        (BOOT_SAMPLE,), np.mean, n_resamples=1_000_000, method="BCa", batch=100_000, rng=np.random.default_rng(1)
    )
    assert tuple(found.confidence_interval) == pytest.approx((32.31, 91.43), rel=5e-3)


def test_the_expanded_bootstrap_is_wider_than_r_and_skewed_like_it() -> None:
    """Our level is widened to what t gives; of 20 values by sqrt(20/19) * 2.093/1.960 on the normal scale."""
    many = [*BOOT_SAMPLE, 18, 27, 44, 63]
    plain = stats.bootstrap(
        (many,), np.mean, n_resamples=20_000, method="BCa", rng=np.random.default_rng(1)
    ).confidence_interval
    ours = mean_interval(many)
    assert ours is not None
    widened = ours.half_width / ((plain.high - plain.low) / 2)
    assert widened == pytest.approx(math.sqrt(20 / 19) * 2.093 / 1.960, rel=0.05)
    assert ours.high - float(np.mean(many)) > float(np.mean(many)) - ours.low  # long tail above, as BCa has it


def test_below_twenty_values_the_interval_is_t_and_from_twenty_on_the_bootstrap() -> None:
    nineteen = mean_interval(list(range(19)))
    twenty = mean_interval(list(range(20)))
    assert nineteen is not None
    assert twenty is not None
    assert nineteen.method == "t, n 19"
    assert twenty.method == "bootstrap BCa, n 20"


def test_a_table_written_twice_has_the_same_intervals() -> None:
    assert mean_interval(ZARR13) == mean_interval(ZARR13)


def test_equal_values_have_an_interval_of_nothing_and_one_value_has_none() -> None:
    assert mean_interval([4.0]) is None
    equal = mean_interval([4.0, 4.0, 4.0])
    assert equal is not None
    assert (equal.low, equal.high, equal.method) == (4.0, 4.0, "all 3 values equal")
    assert summarise(Sample([])) is None


def test_early_stopping_widens_on_both_sides_and_says_so() -> None:
    plain = mean_interval([1, 2, 3, 4, 6])
    wide = mean_interval([1, 2, 3, 4, 6], widening=1.15)
    assert plain is not None
    assert wide is not None
    assert wide.half_width == pytest.approx(1.15 * plain.half_width)
    assert "early stopping" in wide.method


def test_values_that_share_an_application_count_as_one() -> None:
    """Two applications of a setting, three trials each: the interval rests on two values, not six."""
    values = [10.0, 10.1, 9.9, 12.0, 12.1, 11.9]
    apart = summarise(Sample(values))
    together = summarise(Sample(values, units=[1, 1, 1, 2, 2, 2]))
    assert apart is not None
    assert apart.interval is not None
    assert together is not None
    assert together.interval is not None
    expected = t_limits(np.array([[10.0, 12.0]]))[0]
    assert (together.interval.low, together.interval.high) == pytest.approx(expected)
    assert together.interval.half_width > 5 * apart.interval.half_width
    assert together.interval.method == "t, n 2"
    assert (together.n, together.mean, together.deviation) == (apart.n, apart.mean, apart.deviation)


def test_an_outlier_is_shown_and_stays_in_the_mean() -> None:
    values = [100.0, 101, 99, 100.5, 99.5, 40]
    summary = summarise(Sample(values))
    assert summary is not None
    assert summary.outliers == (5,)
    assert summary.mean == pytest.approx(sum(values) / 6)
    assert "outliers:1" in summary.remarks
    assert outliers(np.array([[1.0, 1, 1, 1, 5]])) == [()]  # no spread to measure an outlier by


def test_skewness_is_the_adjusted_one_and_is_said() -> None:
    """Joanes and Gill 1998: G1 = g1 sqrt(n(n-1))/(n-2); worked by hand for 0 0 0 0 10: g1 1.5, G1 2.236."""
    assert skewness(np.array([[0.0, 0, 0, 0, 10]])) == [pytest.approx(1.5 * math.sqrt(20) / 3)]
    summary = summarise(Sample([0.0, 0, 0, 0.1, 10]))
    assert summary is not None
    assert "skewed" in summary.remarks
    assert skewness(np.array([[1.0, 1, 1, 1, 1]])) == [None]


def test_a_drift_over_the_run_is_said() -> None:
    values = [100.0, 99.1, 98.2, 96.9, 96.1, 95.0, 94.2]
    summary = summarise(Sample(values, order=range(1, 8)))
    assert summary is not None
    assert summary.trend is not None
    assert summary.trend.ratio == pytest.approx(-6 / 96.9, rel=0.02)
    assert "drift" in summary.remarks
    steady = summarise(Sample([100.0, 99, 101, 100, 99, 101, 100.5], order=range(1, 8)))
    assert steady is not None
    assert "drift" not in steady.remarks
    assert trend(np.array([1.0, 2, 3, 4, 5]), [1, 1, 1, 1, 1]) is None


def test_the_order_of_measurement_decides_the_trend_not_the_order_of_the_rows() -> None:
    forward = trend(np.array([1.0, 2, 3, 4, 5]), [1, 2, 3, 4, 5])
    shuffled = trend(np.array([3.0, 1, 5, 2, 4]), [3, 1, 5, 2, 4])
    assert forward == shuffled


def test_auto83b_data_are_whole() -> None:
    """e-Handbook 1.3.5.3: n 249 and 79, means 20.14458 and 30.48101, s 6.41470 and 6.10771."""
    for values, n, mean, deviation in ((AUTO83B_US, 249, 20.14458, 6.41470), (AUTO83B_JAPAN, 79, 30.48101, 6.10771)):
        summary = summarise(Sample(values))
        assert summary is not None
        assert (summary.n, summary.mean, summary.deviation) == (
            n,
            pytest.approx(mean, abs=5e-6),
            pytest.approx(deviation, abs=5e-6),
        )


def test_many_cells_at_once_are_each_what_they_are_alone() -> None:
    several = (LOTTERY, [1.0], LEW, [], [5.0, 5, 5], [1.0, 2, 4, 8, 99], [3.0, 1, 2, 2, 7])
    samples = [Sample(values) for values in several]
    together = summarise_all(samples)
    assert together == [summarise(sample) for sample in samples]
    assert together[3] is None
