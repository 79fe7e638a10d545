"""Stopping by precision, and spending a budget."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.results.statistics.intervals import mean_interval
from orchestrator.results.statistics.stopping import BudgetCell, PrecisionRule, next_round, precision, widening

RULE = PrecisionRule(0.02, min=5, max=20)
QUIET = [100.0, 100.4, 99.7, 100.1, 99.9]
LOUD = [100.0, 112, 90, 105, 95]


def test_a_quiet_cell_stops_at_the_min_and_a_loud_one_goes_on() -> None:
    assert precision(RULE, QUIET).enough
    assert precision(RULE, QUIET).met
    loud = precision(RULE, LOUD)
    assert (loud.enough, loud.met) == (False, False)
    assert loud.more == 15  # as many as there may be


def test_the_interval_that_is_held_against_the_precision_is_the_one_reported() -> None:
    found = precision(RULE, QUIET)
    plain = mean_interval(QUIET)
    assert plain is not None
    assert found.interval is not None
    assert found.interval.half_width == pytest.approx(1.15 * plain.half_width)
    assert found.half_width_ratio == pytest.approx(found.interval.half_width / np.mean(QUIET))


def test_before_the_min_no_agreement_is_enough() -> None:
    early = precision(RULE, [100.0, 100.0])
    assert not early.enough
    assert early.more == 3
    assert precision(RULE, []).more == 5


def test_the_most_is_enough_but_not_met() -> None:
    found = precision(RULE, LOUD * 4)
    assert (found.enough, found.met, found.more) == (True, False, 0)


def test_a_mean_of_zero_never_counts_as_precise() -> None:
    assert not precision(RULE, [-1.0, 1, -1, 1, 0]).met


def test_about_how_many_more() -> None:
    """Half a width of 4 % for 2 %: four times as many values, so 15 more than five."""
    values = [96.0, 98, 100, 102, 104]
    found = precision(PrecisionRule(0.02, max=100), values)
    assert found.half_width_ratio == pytest.approx(1.15 * 2.7764 * 3.1623 / 5**0.5 / 100, rel=1e-3)
    assert found.more == pytest.approx(5 * (found.half_width_ratio / 0.02) ** 2 - 5, abs=1)


@pytest.mark.parametrize(("least", "factor"), [(3, 1.3), (4, 1.2), (5, 1.15), (7, 1.15), (8, 1.1), (30, 1.1)])
def test_looking_earlier_costs_wider_intervals(least: int, factor: float) -> None:
    assert widening(least) == factor


def test_rules_that_cannot_be_honest_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 3"):
        PrecisionRule(0.02, min=2)
    for bad in ({"precision_ratio": 0.0}, {"precision_ratio": 1.0}, {"precision_ratio": 0.1, "max": 4}):
        with pytest.raises(ValueError, match="no rule"):
            PrecisionRule(**bad)  # type: ignore[arg-type]  # rows of one table


def _cell(number: int, values: list[float], **options: float | str) -> BudgetCell:
    return BudgetCell(number, values, **{"trial_s": 10.0, **options})  # type: ignore[arg-type]  # keyword options


def test_every_cell_gets_its_min_first_the_shortest_first() -> None:
    cells = [_cell(1, [1.0, 2]), _cell(2, [1.0]), _cell(3, [1.0, 2, 3, 4, 5])]
    assert next_round(cells, 1000) == (2, 1)
    assert next_round(cells, 15) == (2,)


def test_time_goes_where_the_uncertainty_is() -> None:
    cells = [_cell(1, QUIET), _cell(2, LOUD)]
    assert next_round(cells, 10) == (2,)
    assert next_round(cells, 50) == (2,)  # five more of the loud one are worth more than any of the quiet one
    assert set(next_round(cells, 100_000)) == {1, 2}


def test_nothing_is_started_that_does_not_fit() -> None:
    assert next_round([_cell(1, LOUD)], 9.9) == ()
    assert next_round([_cell(1, [])], 9.9) == ()


def test_a_costly_level_is_paid_once_a_block() -> None:
    cells = [
        _cell(1, [], plot="mtu 9000", plot_s=30.0),
        _cell(2, [], plot="mtu 9000", plot_s=30.0),
        _cell(3, [], plot="mtu 1500", plot_s=30.0),
    ]
    assert next_round(cells, 50) == (1, 2)
    assert next_round(cells, 90) == (1, 2, 3)


def test_cells_without_spread_take_no_more_time() -> None:
    assert next_round([_cell(1, [5.0] * 5)], 1000) == ()


def test_a_budget_ends_with_the_widths_levelled() -> None:
    chance = np.random.default_rng(3)
    deviations = {1: 0.5, 2: 1.0, 3: 3.0}
    values: dict[int, list[float]] = {number: [] for number in deviations}
    left = 1200.0
    while chosen := next_round([_cell(number, found) for number, found in values.items()], left):
        for number in chosen:
            values[number].append(float(chance.normal(100, deviations[number])))
            left -= 10
    assert 0 <= left < 10
    assert len(values[3]) > 4 * len(values[1])
    widths = [interval.half_width for found in values.values() if (interval := mean_interval(found)) is not None]
    # 40 replicates of every cell alike would leave 3 * 2.02 / sqrt(40) = 0.96 for the loud one
    assert max(widths) < 0.8
