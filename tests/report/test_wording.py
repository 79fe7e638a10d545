"""Figures as text: the unit fits, the digits are those that the interval supports."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.words.figures import (
    count_text,
    decimals_for,
    duration_text,
    listed,
    rate_text,
    share_text,
    shown,
    significant,
    time_text,
)

THIN = "\u202f"


@pytest.mark.parametrize(
    ("bit_s", "text"),
    [
        (2.35e9, "2.35 Gb/s"),
        (999.4e6, "999 Mb/s"),
        (999.9e6, "1.00 Gb/s"),
        (100e6, "100 Mb/s"),
        (1.5e3, "1.50 kb/s"),
        (12, "12.0 b/s"),
        (1.2e12, "1.20 Tb/s"),
        (0, "0 b/s"),
    ],
)
def test_a_rate_has_the_unit_that_fits(bit_s: float, text: str) -> None:
    assert rate_text(bit_s).replace(THIN, " ") == text


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [(0.827, 1), (0.119, 2), (0.354, 2), (0.367, 1), (0.0226, 3), (0.02, 3), (19, 0), (123, 0), (0.95, 1)],
)
def test_the_half_width_decides_the_decimals(half_width: float, decimals: int) -> None:
    """Two digits below 355, one above: the Particle Data Group's rule, here with its own examples 0.827 and 0.367."""
    assert decimals_for(half_width) == decimals


def test_estimate_and_interval_have_the_same_decimals() -> None:
    number = shown(2.35412e9, 2.34321e9, 2.36503e9, 1e9)

    assert (number.value, number.interval, number.margin) == ("2.354", "2.343 to 2.365", "0.011")


def test_without_an_interval_no_interval_is_shown() -> None:
    number = shown(2.35412e9, None, None, 1e9)

    assert (number.value, number.interval, number.margin) == ("2.354", "", "")


def test_equal_values_do_not_pretend_to_endless_digits() -> None:
    assert shown(1 / 3, 1 / 3, 1 / 3).value == "0.3333"


@given(st.floats(1.0, 1e12), st.floats(1e-4, 0.5))
def test_rounding_stays_within_the_interval_s_own_width(value: float, share: float) -> None:
    half = value * share
    number = shown(value, value - half, value + half)

    assert abs(float(number.value) - value) <= half
    assert abs(float(number.low) - (value - half)) <= half


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.998, "99.8 %"), (0.45, "45 %"), (0.0002, "0.020 %"), (0, "0 %"), (1.0, "100.0 %"), (0.0345, "3.5 %")],
)
def test_a_share_keeps_a_decimal_where_it_matters(share: float, text: str) -> None:
    assert share_text(share).replace(THIN, " ") == text


@given(st.floats(1e-9, 1e15))
def test_significant_digits_are_never_in_powers_of_ten(value: float) -> None:
    text = significant(value)

    assert "e" not in text
    assert math.isclose(float(text), value, rel_tol=0.006)


def test_small_words() -> None:
    assert time_text(0.00021).replace(THIN, " ") == "210 µs"
    assert duration_text(6072) == "1 h 41 min"
    assert duration_text(95) == "1 min 35 s"
    assert duration_text(34) == "34 s"
    assert count_text(1, "trial") == "1 trial"
    assert count_text(12000, "trial").replace(THIN, " ") == "12 000 trials"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed([]) == ""


def test_a_rate_in_the_log_has_a_space_that_can_be_searched_for() -> None:
    assert rate_text(2.35456e9, 4, gap=" ") == "2.355 Gb/s"
