"""Verdicts against the e-Handbook, R and statsmodels, and the rules of the four words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind

from orchestrator.results.comparison.verdicts import (
    BETTER,
    INCONCLUSIVE,
    SAME,
    WORSE,
    Contrast,
    Difference,
    Sides,
    contrasts,
    difference,
    differences,
    rank_p_value,
    values_needed,
)
from orchestrator.results.statistics.variation import variation
from tests.results.nist_data import AUTO83B_JAPAN, AUTO83B_US

# e-Handbook 7.3.1: minutes to assemble, old and new process
OLD = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
NEW = [36, 31, 30, 31, 34, 36, 29, 32, 31]
# An Introduction to R 8.3: latent heat of the fusion of ice by two methods
ICE_A = [79.98, 80.04, 80.02, 80.04, 80.03, 80.03, 80.04, 79.97, 80.05, 80.03, 80.02, 80.00, 80.02]
ICE_B = [80.02, 79.94, 79.98, 79.97, 79.97, 80.03, 79.95, 79.97]
# Student's sleep data, hours gained with two drugs
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def _t(found: Difference | None) -> float:
    assert found is not None
    return found.estimate / found.error


@pytest.mark.parametrize(
    ("first", "second", "t", "df", "p", "interval", "source"),
    [
        (OLD, NEW, 2.2694, 15.53251, 0.037879, (0.245943, 7.491430), "e-Handbook 7.3.1; p and interval computed"),
        (ICE_A, ICE_B, 3.2499, 12.027, 0.00694, (0.01385526, 0.07018320), "An Introduction to R 8.3"),
        (SLEEP_1, SLEEP_2, -1.8608, 17.776, 0.07939, (-3.3654832, 0.2054832), "R's sleep example"),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_welch_is_that_of_the_textbooks(first, second, t, df, p, interval, source) -> None:
    found = difference(Sides(second, first))
    assert found is not None
    assert _t(found) == pytest.approx(t, abs=5e-5)
    assert found.degrees == pytest.approx(df, abs=5e-4)
    assert found.p_value() == pytest.approx(p, abs=5e-6)
    assert found.interval() == pytest.approx(interval, abs=5e-7)


def test_the_two_samples_of_auto83b() -> None:
    """e-Handbook 1.3.5.3: pooled T -12.62059 on 326, whose square is the F of one way.

    Welch on the same data, computed in check values 9.3: -12.946273 on 136.87498.
    """
    cells = [{"made": "us"}] * 249 + [{"made": "japan"}] * 79
    found = variation(cells, [*AUTO83B_US, *AUTO83B_JAPAN], ["made"])
    assert found.rest_degrees == 326
    assert math.sqrt(found.f_ratio(found.terms[0])) == pytest.approx(12.62059, abs=5e-6)
    welch = difference(Sides(AUTO83B_JAPAN, AUTO83B_US))
    assert welch is not None
    assert (_t(welch), welch.degrees) == (pytest.approx(-12.946273, abs=5e-7), pytest.approx(136.87498, abs=5e-6))


def test_ranks_of_scipys_and_r_s_examples() -> None:
    """An Introduction to R 8.3: W 89, p 0.007497 with ties and continuity; scipy's set (from R): exact p 0.7035714."""
    assert rank_p_value(ICE_B, ICE_A) == pytest.approx(0.007497, abs=5e-7)
    # e-Handbook 7.3.5 with tie and continuity correction (computed in check values 9.6): 0.188457
    a = [0.55, 0.67, 0.43, 0.51, 0.48, 0.60, 0.71, 0.53, 0.44, 0.65, 0.75]
    b = [0.49, 0.68, 0.59, 0.72, 0.67, 0.75, 0.65, 0.77, 0.62, 0.48, 0.59]
    assert rank_p_value(a, b) == pytest.approx(0.188457, abs=5e-7)
    assert rank_p_value([1, 2, 3], [4, 5, 6]) is None


def test_no_change_is_shown_as_statsmodels_shows_it() -> None:
    chance = np.random.default_rng(2)
    for _ in range(20):
        ours, theirs = chance.normal(0.005, 0.01, 7), chance.normal(0, 0.02, 5)
        found = difference(Sides(theirs, ours))
        assert found is not None
        expected = ttost_ind(ours, theirs, -0.03, 0.03, usevar="unequal")[0]
        assert found.equivalence_p_value(-0.03, 0.03) == pytest.approx(expected, rel=1e-9)


def test_one_run_against_several_scatters_as_the_several_do() -> None:
    """A new value against n: t = (x - mean) / (s sqrt(1 + 1/n)) on n - 1, the prediction interval of textbooks."""
    found = difference(Sides([1.0, 2.0, 3.0, 4.0], [6.0]))
    assert found is not None
    assert _t(found) == pytest.approx(3.5 / (np.std([1, 2, 3, 4], ddof=1) * math.sqrt(1.25)))
    assert found.degrees == 3
    mirrored = difference(Sides([6.0], [1.0, 2.0, 3.0, 4.0]))
    assert mirrored is not None
    assert _t(mirrored) == -_t(found)
    assert difference(Sides([1.0], [2.0])) is None


def test_a_known_spread_stands_for_one_run_a_side() -> None:
    found = difference(Sides([1.0], [1.2], known_deviation=(0.1, 4)))
    assert found is not None
    assert (found.estimate, found.error, found.degrees) == (pytest.approx(0.2), pytest.approx(0.1 * math.sqrt(2)), 4)


def _one(estimate: float, error: float, degrees: float = 18, **options: object) -> Contrast:
    (verdict,) = contrasts([Difference(estimate, error, degrees)], [(10, 10)], threshold_ratio=0.03, **options)  # type: ignore[arg-type]  # keyword options of one call
    return verdict


@pytest.mark.parametrize(
    ("estimate", "error", "word"),
    [
        (0.08, 0.01, BETTER),
        (-0.08, 0.01, WORSE),
        (0.0, 0.005, SAME),
        (0.01, 0.002, SAME),  # differs, and is shown not to matter
        (0.0, 0.05, INCONCLUSIVE),
        (0.08, 0.06, INCONCLUSIVE),
        (0.025, 0.008, INCONCLUSIVE),  # differs, but whether it matters is open
    ],
)
def test_the_four_words(estimate: float, error: float, word: str) -> None:
    assert _one(estimate, error).word == word


def test_better_is_up_for_goodput_and_down_for_cpu() -> None:
    assert _one(0.08, 0.01, higher_is_better=False).word == WORSE
    assert _one(-0.08, 0.01, higher_is_better=False).word == BETTER


def test_the_threshold_is_a_ratio_in_both_directions() -> None:
    assert _one(math.log(1.0301), 1e-6).word == BETTER
    assert _one(math.log(1.0299), 1e-6).word == SAME
    assert _one(math.log(0.9699), 1e-6).word == WORSE
    assert _one(math.log(0.9701), 1e-6).word == SAME


def test_a_family_raises_what_is_needed_to_call_a_difference() -> None:
    alone = Difference(0.05, 0.02, 18)
    assert contrasts([alone], [(10, 10)], threshold_ratio=0.03)[0].word == BETTER
    others = [Difference(0.0, 0.02, 18)] * 11
    family = contrasts([alone, *others], [(10, 10)] * 12, threshold_ratio=0.03)
    assert family[0].word == INCONCLUSIVE
    assert family[0].p_value == pytest.approx(12 * alone.p_value())


def test_values_equal_to_the_bit_leave_no_doubt() -> None:
    found = difference(Sides([5.0, 5.0], [5.0, 5.0]))
    assert found == Difference(0.0, 0.0, 2)
    assert _one(0.0, 0.0).word == SAME
    assert _one(0.5, 0.0).word == BETTER


def test_how_many_more_would_tell_agrees_with_statsmodels() -> None:
    """At the number named the power is 80 %, and a tenth below it is not."""
    deviation, estimate, family = 0.04, 0.05, 12
    found = Difference(estimate, deviation * math.sqrt(2 / 5), 8)
    more = values_needed(found, (5, 5), 0.03, family=family)
    assert more is not None

    def power(n: int) -> float:
        return float(TTestIndPower().power(estimate / deviation, n, 0.05 / family))

    assert power(5 + more) >= 0.8 > power(math.floor((5 + more) / 1.1) - 1)


def test_how_many_more_would_show_no_change() -> None:
    """Simulated at the number named: 80 % of pairs show it, a third of the number does not reach that."""
    found = Difference(0.005, 0.03 * math.sqrt(2 / 5), 8)
    more = values_needed(found, (5, 5), 0.03)
    assert more is not None
    chance = np.random.default_rng(4)

    def share(n: int) -> float:
        shown = 0
        for _ in range(300):
            pair = difference(Sides(list(chance.normal(0, 0.03, n)), list(chance.normal(0.005, 0.03, n))))
            assert pair is not None
            shown += pair.equivalence_p_value(math.log(0.97), math.log(1.03)) < 0.05
        return shown / 300

    assert share(5 + more) >= 0.73  # 0.80 less three standard errors of 300 draws
    assert share((5 + more) // 3) < 0.7


def test_at_the_threshold_no_number_tells() -> None:
    assert values_needed(Difference(math.log1p(0.0299), 0.02, 8), (5, 5), 0.03) is None


def test_more_than_a_thousand_is_no_advice() -> None:
    assert values_needed(Difference(0.0, 2.0, 8), (5, 5), 0.03) is None
    assert values_needed(Difference(0.0, 0.05, 8), (5, 5), 0.03) is not None


def test_many_cells_at_once_are_each_what_they_are_alone() -> None:
    cells = [
        Sides(OLD, NEW),
        Sides(SLEEP_1, SLEEP_2),
        Sides([1.0], [2.0]),
        Sides([1.0, 2.0, 4.0], [3.0]),
        Sides([], [1.0]),
        Sides([5.0] * 10, [5.0] * 10),
        Sides([1.0], [2.0], known_deviation=(0.5, 3)),
        Sides(SLEEP_2, SLEEP_1),
    ]
    assert differences(cells) == [difference(cell) for cell in cells]
    assert [one is None for one in differences(cells)] == [False, False, True, False, True, False, False, False]
