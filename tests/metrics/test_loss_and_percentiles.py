"""Loss (RFC 7680) and percentiles (RFC 2330 s11.3, RFC 7679 s5) against the RFCs' examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.metrics.loss import loss_ratio, loss_ratio_of_singletons
from orchestrator.metrics.percentile import empirical_share, median, percentile, percentiles

SAMPLE = [-2, 7, 7, 4, 18, -5]  # RFC 2330 s11.3


def test_one_loss_of_five_is_a_fifth() -> None:
    """RFC 7680 s4.1.5: losses 0, 0, 1, 0, 0 average to 0.2."""
    assert loss_ratio_of_singletons([0, 0, 1, 0, 0]) == 0.2
    assert loss_ratio(5, 4) == 0.2


def test_an_empty_sample_has_no_loss_ratio() -> None:
    """RFC 7680 s4.1: undefined, which is not zero."""
    assert loss_ratio_of_singletons([]) is None
    assert loss_ratio(0, 0) is None


def test_copies_that_were_counted_are_found_out() -> None:
    with pytest.raises(ValueError, match="duplicates"):
        loss_ratio(5, 6)
    with pytest.raises(ValueError, match="negative"):
        loss_ratio(-1, 0)
    with pytest.raises(ValueError, match="0 or 1"):
        loss_ratio_of_singletons([2])


@pytest.mark.parametrize(
    ("x", "share"), [(-8, 0), (-5, 1 / 6), (-5.0001, 0), (-4.999, 1 / 6), (7, 5 / 6), (18, 1), (239, 1)]
)
def test_the_distribution_of_rfc_2330(x: float, share: float) -> None:
    assert empirical_share(SAMPLE, x) == share


@pytest.mark.parametrize(("per_cent", "value"), [(50, 4), (25, -2), (100, 18), (0, -math.inf)])
def test_the_percentiles_of_rfc_2330(per_cent: float, value: float) -> None:
    """The 15th percentile printed there (minus infinity) contradicts its own definition and is left out."""
    assert percentile(SAMPLE, per_cent) == value


def test_the_median_of_rfc_2330_lies_between_the_two_central_values() -> None:
    assert median(SAMPLE) == 5.5
    assert median([3, 1, 2]) == 2


def test_undefined_delays_count_as_infinitely_large() -> None:
    """RFC 7679 s5.1 to s5.4, milliseconds."""
    assert percentile([100, 110, None, 90, 500], 50) == 110
    four = [100, 110, None, 90]
    assert median(four) == 105
    assert percentile(four, 1) == 90
    assert percentile(four, 100) == math.inf
    assert empirical_share(four, 103) == 0.5


@given(st.lists(st.integers(-50, 50), min_size=1, max_size=40), st.integers(1, 100))
def test_a_percentile_is_the_smallest_value_that_reaches_its_share(values: list[int], per_cent: int) -> None:
    found = percentile(values, per_cent)
    assert 100 * sum(value <= found for value in values) >= per_cent * len(values)
    assert all(
        100 * sum(value <= smaller for value in values) < per_cent * len(values)
        for smaller in values
        if smaller < found
    )
    assert percentiles(values, [per_cent]) == [found]


def test_nothing_has_no_percentile() -> None:
    with pytest.raises(ValueError, match="empty"):
        percentile([], 50)
    with pytest.raises(ValueError, match="0 to 100"):
        percentile([1], 101)
