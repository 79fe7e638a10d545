"""What a series of intervals shows, on series whose answer is known; and nothing on noise."""

from __future__ import annotations

import random

import pytest

from orchestrator.decide.verdict import series
from orchestrator.decide.verdict.series import Stalls, summed_up

SEGMENT = 1448


def stalls(octets: list[float], interval_s: float, unit_bytes: float) -> Stalls:
    return series.stalls(summed_up(octets, interval_s), unit_bytes)


def trend(octets: list[float]) -> tuple[float, float] | None:
    return series.trend(summed_up(octets, 0.1))


def two_levels(octets: list[float]) -> tuple[float, float] | None:
    return series.two_levels(summed_up(octets, 0.1))


def _noise(count: int, mean: float, share: float, seed: int) -> list[float]:
    draw = random.Random(seed)
    return [max(draw.gauss(mean, share * mean), 1.0) for _ in range(count)]


def test_the_longest_stall_and_all_of_them_are_told():
    octets = [1e6, 0, 1e6, 0, 0, 0, 1e6, 1e6, 0, 1e6]
    found = stalls(octets, 0.1, SEGMENT)
    assert found.longest_s == pytest.approx(0.3)
    assert found.total_s == pytest.approx(0.5)


def test_an_empty_interval_is_chance_when_few_datagrams_are_due_in_one():
    """Nine datagrams of 1000 octets on average: below ten nothing is said."""
    assert stalls([18_000.0, 0.0] * 10, 0.1, 1000) == Stalls(0.0, 0.0)
    assert stalls([20_000.0, 0.0] * 10, 0.1, 1000).total_s == pytest.approx(1.0)


def test_an_empty_series_has_no_stall():
    assert stalls([], 0.1, SEGMENT) == Stalls(0.0, 0.0)


def test_a_fall_from_one_level_to_another_is_a_trend_with_its_means():
    octets = [100.0, 101.0, 99.0, 100.0, 100.0, 90.0, 85.0, 80.0, 75.0, 72.0, 70.0, 71.0, 69.0, 70.0, 70.0]
    found = trend(octets)
    assert found == (pytest.approx(100.0), pytest.approx(70.0))


def test_a_trend_must_be_larger_than_the_scatter_around_it():
    """Means of 100 and 88 with a deviation of 10 on either side: a step of 12 is not three times 10."""
    high, low = [110.0, 90.0, 110.0, 90.0, 100.0, 100.0], [98.0, 78.0, 98.0, 78.0, 88.0, 88.0]
    assert trend(high + [94.0] * 6 + low) is None
    assert trend([100.0] * 6 + [94.0] * 6 + [88.0] * 6) == (100.0, 88.0)


def test_a_change_of_less_than_a_tenth_is_no_trend():
    assert trend([100.0] * 6 + [95.0] * 6 + [91.0] * 6) is None


def test_fewer_than_five_intervals_a_third_show_no_trend():
    assert trend([100.0] * 4 + [50.0] * 4 + [10.0] * 4) is None
    assert trend([100.0] * 5 + [50.0] * 5 + [10.0] * 5) is not None


def test_two_levels_are_told_with_their_means():
    octets = ([100.0, 102.0, 98.0, 100.0, 100.0] * 2 + [60.0, 61.0, 59.0, 60.0, 60.0] * 2) * 3
    assert two_levels(octets) == (pytest.approx(60.0), pytest.approx(100.0))


def test_levels_must_lie_a_fifth_apart_and_be_kept():
    near = [100.0] * 10 + [85.0] * 10
    assert two_levels(near * 3) is None
    alternating = [100.0, 60.0] * 30
    assert two_levels(alternating) is None
    once = [100.0] * 30 + [60.0] * 30  # one step is a trend, or a change of the bench, and no alternation
    assert two_levels(once) is None


def test_a_level_kept_for_less_than_a_fifth_of_the_time_is_an_outlier():
    octets = [100.0] * 22 + [50.0] * 3 + [100.0] * 22 + [50.0] * 3
    assert two_levels(octets) is None


@pytest.mark.parametrize("share", [0.005, 0.02, 0.1, 0.3])
def test_noise_is_neither_a_trend_nor_two_levels_nor_a_stall(share: float):
    for seed in range(300):
        octets = _noise(100, 1e7, share, seed)
        assert (trend(octets), two_levels(octets)) == (None, None)
        assert stalls(octets, 0.1, SEGMENT).longest_s == 0


def test_a_stall_that_takes_nearly_all_of_the_window_is_told() -> None:
    """Jumbo frames at 100 Mb/s: 139 segments in each of seven intervals, and then nothing more."""
    octets = [139 * 8948.0] * 7 + [0.0] * 93
    assert stalls(octets, 0.1, 8948).longest_s == pytest.approx(9.3)


def test_a_stall_of_seconds_is_told_also_where_few_datagrams_are_due_in_an_interval() -> None:
    """500 kb/s in datagrams of 1472 bytes are four in an interval: one empty interval is chance, thirty are not."""
    octets = [4 * 1472.0, 5 * 1472.0] * 35 + [0.0] * 30
    found = stalls(octets, 0.1, 1472)
    assert (found.longest_s, found.total_s) == (pytest.approx(3.0), pytest.approx(3.0))
    assert stalls([4 * 1472.0, 0.0, 5 * 1472.0] * 33, 0.1, 1472) == Stalls(0.0, 0.0)
