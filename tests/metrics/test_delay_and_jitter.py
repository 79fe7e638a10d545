"""Delay variation (RFC 3393, 5481) and jitter (RFC 3550) against the RFCs' examples."""

from __future__ import annotations

import pytest

from orchestrator.metrics.delay_variation import above_min, above_min_percentile, between_packets
from orchestrator.metrics.jitter import Jitter, integer_jitter_series, jitter_series

U = None
# RFC 5481: delays in ms, IPDV, PDV
FIGURES = {
    "figure 1": ([20, 10, 20, 25, 20], [U, -10, 10, 5, -5], [10, 0, 10, 15, 10]),
    "figure 2 A": (
        [100, 110, 120, 130, 140, 150, 140, 130, 120, 110, 100],
        [U, 10, 10, 10, 10, 10, -10, -10, -10, -10, -10],
        [0, 10, 20, 30, 40, 50, 40, 30, 20, 10, 0],
    ),
    # the printed IPDV of packet 6 is -10, but its delays 120 and 100 give -20
    "figure 2 B": (
        [100, 110, 150, U, 120, 100, 110, 150, 130, 120, 100],
        [U, 10, 40, U, U, -20, 10, 40, -20, -10, -20],
        [0, 10, 50, U, 20, 0, 10, 50, 30, 20, 0],
    ),
    "figure 5": ([4, 4, 4, 4, 9, 9, 9, 9, 9], [U, 0, 0, 0, 5, 0, 0, 0, 0], [0, 0, 0, 0, 5, 5, 5, 5, 5]),
}


@pytest.mark.parametrize("figure", FIGURES)
def test_delay_variation_of_rfc_5481(figure: str) -> None:
    delays, ipdv, pdv = FIGURES[figure]
    assert between_packets(delays) == ipdv
    assert above_min(delays) == pdv


def test_delay_variation_of_nothing_is_undefined() -> None:
    assert between_packets([]) == above_min([]) == []
    assert above_min([None, None]) == [None, None]
    assert above_min_percentile([None], 99) is None


def test_a_percentile_of_the_variation_is_over_what_arrived() -> None:
    assert above_min_percentile(FIGURES["figure 2 B"][0], 100) == 50
    assert above_min_percentile([5, None, 5], 99) == 0


# RFC 3550 App. A.8 prints no numbers: computed from its formula in check values 3.7
SERIES = [
    ([0, 16, 16, 16, 0], [1, 0.9375, 0.87890625, 1.823974609375]),
    ([0, 10, 0, 10, 0, 10], [0.625, 1.2109375, 1.76025390625, 2.275238037109375, 2.758035659790039]),
    ([20, 10, 20, 25, 20], [0.625, 1.2109375, 1.44775390625, 1.669769287109375]),
    ([7, 7, 7], [0, 0]),
]


@pytest.mark.parametrize(("transits", "series"), SERIES)
def test_jitter_follows_the_formula_of_rfc_3550(transits: list[float], series: list[float]) -> None:
    assert jitter_series(transits) == series


@pytest.mark.parametrize(("transits", "series"), SERIES)
def test_the_whole_number_form_follows_within_one_unit(transits: list[int], series: list[float]) -> None:
    """App. A.8 keeps 16 J as a whole number: scaled by 1000 it must agree to a unit or two of rounding."""
    scaled = integer_jitter_series([1000 * transit for transit in transits])
    assert scaled == [pytest.approx(1000 * value, abs=1.5) for value in series]


def test_the_whole_number_form_by_hand() -> None:
    """16 J: 0 + 16 - (8 >> 4) = 16; 16 + 0 - (24 >> 4) = 15; 15 - (23 >> 4) = 14; reported >> 4."""
    assert integer_jitter_series([0, 16, 16, 16]) == [1, 0, 0]


def test_the_mean_is_kept_because_the_last_value_is_no_summary() -> None:
    jitter = Jitter()
    assert jitter.mean is None
    for transit in (0, 16, 16, 16, 0):
        jitter.arrival(transit)
    assert jitter.value == 1.823974609375
    assert jitter.mean == (1 + 0.9375 + 0.87890625 + 1.823974609375) / 4


def test_a_clock_that_is_off_by_years_changes_no_jitter() -> None:
    base = [0.001, 0.004, 0.002, 0.009]
    shifted = jitter_series([transit - 10.0**9 for transit in base])
    assert shifted == [pytest.approx(value, abs=2e-7) for value in jitter_series(base)]
