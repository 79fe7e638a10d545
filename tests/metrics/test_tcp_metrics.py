"""The TCP framework's arithmetic against the tables of RFC 6349 and RFC 1323."""

from __future__ import annotations

import pytest

from orchestrator.metrics.tcp import (
    bandwidth_delay_bits,
    buffer_delay_ratio,
    connections_needed,
    efficiency_ratio,
    ideal_time_s,
    min_window_bytes,
    sequence_wrap_s,
    transfer_time_ratio,
    window_limited_bit_s,
    window_shortfall,
)
from orchestrator.wire import frame_rate_floor

# RFC 6349 table 3.3.1: Mb/s, RTT ms, BDP bits, window KB (of 1000 bytes)
TABLE_331 = [
    (1.536, 20, 30_720, 3.84),
    (1.536, 50, 76_800, 9.60),
    (1.536, 100, 153_600, 19.20),
    (44.210, 10, 442_100, 55.26),
    (44.210, 15, 663_150, 82.89),
    (44.210, 25, 1_105_250, 138.16),
    (100, 1, 100_000, 12.50),
    (100, 2, 200_000, 25.00),
    (100, 5, 500_000, 62.50),
    (1000, 0.1, 100_000, 12.50),
    (1000, 0.5, 500_000, 62.50),
    (1000, 1, 1_000_000, 125.00),
    (10_000, 0.05, 500_000, 62.50),
    (10_000, 0.3, 3_000_000, 375.00),
    (5, 90, 450_000, 56.25),
    (0.64, 90, 57_600, 7.2),  # the asymmetric line of s3.3.1
]


@pytest.mark.parametrize(("mbit_s", "rtt_ms", "bits", "window_kb"), TABLE_331)
def test_bandwidth_delay_products_and_windows(mbit_s: float, rtt_ms: float, bits: float, window_kb: float) -> None:
    assert bandwidth_delay_bits(mbit_s * 1e6, rtt_ms / 1e3) == pytest.approx(bits, rel=1e-12)
    assert min_window_bytes(mbit_s * 1e6, rtt_ms / 1e3) / 1e3 == pytest.approx(window_kb, abs=0.01)


T3_CEILING_BIT_S = frame_rate_floor(44.21e6, 1508, around_bits=0) * 1460 * 8


@pytest.mark.parametrize(
    ("window_kb", "rtt_ms", "printed"),
    [
        (16, 5, 25.6),
        (16, 10, 12.8),
        (16, 15, 8.5),
        (16, 25, 5.1),
        (64, 10, 42.8),
        (64, 15, 34.1),
        (64, 25, 20.5),
        (32, 25, 10.2),
        (128, 25, 40.9),
    ],
)
def test_rates_that_a_window_allows_on_a_t3(window_kb: float, rtt_ms: float, printed: float) -> None:
    """RFC 6349 s3.3.1 figures; printed results are cut, and the link caps 51.2 at 42.8."""
    rate = window_limited_bit_s(window_kb * 1e3, rtt_ms / 1e3, T3_CEILING_BIT_S)
    assert rate / 1e6 == pytest.approx(printed, abs=0.1)


def test_no_delay_leaves_the_link_as_the_limit() -> None:
    assert window_limited_bit_s(65535, 0, 1e9) == 1e9


@pytest.mark.parametrize(
    ("ceiling_mbit_s", "printed_s", "exact_s"),
    [
        (42.8, 18.0, 18.69),
        (94.9, 9.0, 8.43),
        (949.2, 1.0, 0.84),
        (9492.0, 0.1, 0.084),
    ],
)
def test_ideal_times_for_100_megabytes(ceiling_mbit_s: float, printed_s: float, exact_s: float) -> None:
    """RFC 6349 table 4.1.2, printed to a coarse rounding; the T1 row rests on a rate cut to 1.4 and is left out."""
    ideal = ideal_time_s(100e6, ceiling_mbit_s * 1e6)
    assert ideal == pytest.approx(exact_s, rel=5e-3)
    assert ideal == pytest.approx(printed_s, rel=0.2)


def test_the_transfer_time_ratio_of_five_connections() -> None:
    """RFC 6349 s4.1.3: 5 x 100 MB at 500 Mb/s, ideal about 8 s, actual 12 s: 1.5."""
    ideal = ideal_time_s(500e6, 500e6)
    assert ideal == 8
    assert transfer_time_ratio(12, ideal) == 1.5


def test_efficiency_of_102000_with_2000_sent_again() -> None:
    """RFC 6349 s4.2: 98.03 % printed, cut from 98.0392."""
    assert 100 * (efficiency_ratio(102_000, 2_000) or 0) == pytest.approx(98.0392, abs=5e-5)
    assert efficiency_ratio(0, 0) is None
    with pytest.raises(ValueError, match="retransmitted"):
        efficiency_ratio(10, 11)


def test_buffer_delay_of_32_over_25_milliseconds() -> None:
    """RFC 6349 s4.3: 28 %."""
    assert buffer_delay_ratio(0.032, 0.025) == pytest.approx(0.28)
    with pytest.raises(ValueError, match="baseline"):
        buffer_delay_ratio(0.03, 0)


@pytest.mark.parametrize(("window_kb", "connections"), [(16, 20), (32, 10), (64, 5), (128, 3)])
def test_connections_needed_for_500_mbit_s_at_5_ms(window_kb: float, connections: int) -> None:
    """RFC 6349 table 5.1."""
    assert connections_needed(500e6, 0.005, window_kb * 1e3) == connections


def test_connections_of_a_two_megabyte_product() -> None:
    """RFC 6349 s5.1: 2 MB and 64 KB windows make 32 connections (binary units)."""
    assert connections_needed(2 * 2**20 * 8, 1, 64 * 2**10) == 32
    assert connections_needed(500e6, 0.005, 62_500) == 5  # an exact quotient is not rounded up
    assert connections_needed(1e6, 1e-6, 65535) == 1


@pytest.mark.parametrize(("mbit_s", "printed_s"), [(10, 1700), (45, 380), (100, 170), (1000, 17)])
def test_sequence_numbers_wrap(mbit_s: float, printed_s: float) -> None:
    """RFC 1323 s1.2, printed to two digits."""
    assert sequence_wrap_s(mbit_s * 1e6) == pytest.approx(printed_s, rel=0.02)


def test_an_unscaled_window_at_60_ms() -> None:
    """RFC 1323 s1.1: 64 KB at 60 ms is about 1.1 MB/s."""
    assert window_limited_bit_s(65535, 0.06) / 8e6 == pytest.approx(1.1, abs=0.05)


def test_a_buffer_that_is_too_small_is_said_with_what_it_costs() -> None:
    sentence = window_shortfall(100e6, 0.05, 65_536, which="receive buffer")
    assert sentence.startswith("the receive buffer of 65.5 kB is smaller than the 625.0 kB")
    assert "at most 10.49 Mb/s" in sentence
    assert window_shortfall(100e6, 0.005, 65_536) == ""
