"""What intervals and verdicts promise, held against simulated trials whose truth is known.

A bounded form: tests/proofs/interval_coverage.py repeats it with more draws and more cases, and prints every figure.
"""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.results.statistics.stopping import PrecisionRule, precision, widening
from tests.results.simulate import (
    KINDS,
    LEAST_COVERED,
    WIDEST,
    Bench,
    against_fixed,
    budgeted,
    fixed,
    share_calling_a_change,
    share_of,
    split_over_plots,
    split_plot,
    stopped,
    words,
)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [3, 5, 10, 19])
def test_intervals_of_few_replicates_cover_what_they_promise(kind: str, n: int) -> None:
    assert fixed(KINDS[kind], n, 4000).share >= LEAST_COVERED[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_bootstrap_intervals_cover_what_they_promise(kind: str) -> None:
    assert fixed(KINDS[kind], 20, 1500).share >= LEAST_COVERED[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_under_drift_and_block_effects(kind: str) -> None:
    assert fixed(KINDS[kind], 5, 4000, drift=2.0, blocks=1.0).share >= LEAST_COVERED[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_trials_that_share_an_application_must_not_count_as_many(kind: str) -> None:
    knowing, naive = split_over_plots(KINDS[kind], 5, 3000)
    assert knowing.share >= LEAST_COVERED[kind]
    assert naive.share < 0.85  # the simulation would see the mistake


@pytest.mark.parametrize("kind", KINDS)
def test_the_change_of_a_costly_factor_is_covered(kind: str) -> None:
    assert split_plot(KINDS[kind], 5, 600).share >= LEAST_COVERED[kind] - 0.02  # two standard errors of 600 draws


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("ratio", [0.02, 0.009, 0.006])
def test_early_stopping_from_five_stays_honest_and_not_much_wider(kind: str, ratio: float) -> None:
    found = stopped(KINDS[kind], PrecisionRule(ratio), 2000)
    assert found.share >= LEAST_COVERED[kind]
    assert against_fixed(KINDS[kind], found) <= WIDEST


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("least", [3, 4, 8])
def test_the_other_beginnings_are_as_honest(kind: str, least: int) -> None:
    found = stopped(KINDS[kind], PrecisionRule(0.008, min=least), 2000)
    assert found.share >= LEAST_COVERED[kind]
    assert against_fixed(KINDS[kind], found) <= WIDEST


@pytest.mark.parametrize("kind", KINDS)
def test_early_stopping_under_drift_and_blocks(kind: str) -> None:
    found = stopped(KINDS[kind], PrecisionRule(0.012), 2000, drift=2.0, blocks=1.0)
    assert found.share >= LEAST_COVERED[kind]
    assert against_fixed(KINDS[kind], found, drift=2.0, blocks=1.0) <= WIDEST


def test_the_simulated_rule_is_the_rule() -> None:
    """`stopped` looks at many cells at once; `precision` must stop at the same place."""
    rule = PrecisionRule(0.008)
    chance = np.random.default_rng(9)
    sizes = []
    for _ in range(40):
        values: list[float] = []
        while not precision(rule, values).enough:
            values.append(float(100 + chance.standard_normal()))
        sizes.append(len(values))
    expected = stopped(KINDS["normal"], rule, 2000).replicates
    assert np.mean(sizes) == pytest.approx(expected, abs=3 * np.std(sizes) / 40**0.5)


def test_a_budget_spent_where_the_uncertainty_is_stays_honest() -> None:
    assert budgeted(KINDS["normal"], 30, widening(5)).share >= 0.90  # two standard errors of 120 intervals below 0.94


@pytest.mark.parametrize("common", [False, True])
def test_equal_sides_of_several_runs_are_not_called_different(common: bool) -> None:
    """Between-run deviation as large as the one within: at most 5 % of comparisons of 12 cells call any change."""
    bench = Bench(runs=3, between=0.01, between_is_common=common)
    assert share_calling_a_change(words(bench, 150)) <= 0.05


def test_replicates_of_single_runs_would_call_it_which_is_why_a_run_is_the_unit() -> None:
    assert share_calling_a_change(words(Bench(between=0.01), 60)) > 0.2


def test_equal_sides_end_as_no_change() -> None:
    """1 % noise, n 5: "no change beyond 3 %" is shown in at least 95 % of cells."""
    assert share_of(words(Bench(), 100), "no change") >= 0.95


def test_a_change_of_five_per_cent_is_found_among_twelve_cells() -> None:
    """2 % noise, n 10."""
    found = words(Bench(within=0.02, replicates=10, change=-0.05), 150)
    assert share_of(found, "worse", cell=0) >= 0.95
