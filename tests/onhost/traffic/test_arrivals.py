"""What the receiver keeps of arrivals: delay variation by clocks of one rate and of two."""

from __future__ import annotations

import random
from typing import Any

import pytest

from orchestrator.metrics.delay_variation import above_min_percentile
from orchestrator.onhost.traffic.arrivals import Arrivals

INTERVALS, EACH, GAP_NS = 30, 200, 500_000


def summary(ppm: float, intervals: int = INTERVALS) -> tuple[dict[str, Any], list[float]]:
    """The summary over intervals of 100 ms, and the path's true delays, s; the receiver's clock gains `ppm`."""
    chance = random.Random(4)
    arrivals, true = Arrivals(), []
    arrivals.open_window(intervals)
    for number in range(intervals * EACH):
        sent_ns = 10**15 + number * GAP_NS
        true.append(2e-4 + chance.expovariate(1 / 40e-6))
        received_ns = 10**18 + round((number * GAP_NS + 1e9 * true[-1]) * (1 + 1e-6 * ppm))
        arrivals.note((sent_ns,), [received_ns])
        if number % EACH == EACH - 1 and number < intervals * EACH - 1:
            arrivals.next_interval()
    arrivals.close_window()
    return arrivals.summary(None), true


@pytest.mark.parametrize("ppm", [0, 20, -150])
def test_what_one_clock_gains_on_the_other_is_told_and_not_called_variation(ppm: float) -> None:
    told, true = summary(ppm)
    assert told["clock_skew_ppm"] == pytest.approx(ppm, abs=1)
    assert told["delay_variation_p99_s"] == pytest.approx(above_min_percentile(true, 99), rel=0.03)
    assert told["transit_samples"] == len(true)


def test_a_queue_that_grows_by_a_thousandth_of_the_time_is_variation() -> None:
    told, _ = summary(1000)
    assert told["clock_skew_ppm"] is None
    assert told["delay_variation_p99_s"] == pytest.approx(3e-3, rel=0.05)


def test_in_less_than_a_second_nothing_is_taken_out() -> None:
    told, _ = summary(100, intervals=8)
    assert told["clock_skew_ppm"] is None
    assert told["delay_variation_p99_s"] is not None
