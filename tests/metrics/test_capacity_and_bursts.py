"""Capacity (RFC 9097, RFC 5136) and burst timing (RFC 2889 App. A)."""

from __future__ import annotations

import pytest

from orchestrator.metrics.bursts import between_bursts_s, burst_time_s, bursts_in, frames_within
from orchestrator.metrics.capacity import (
    SubInterval,
    max_capacity_bit_s,
    narrow_link,
    path_available_bit_s,
    tight_link,
)
from orchestrator.wire import frame_rate_floor, wire_bytes


def test_a_full_gigabit_second_in_the_sense_of_rfc_9097() -> None:
    """Computed in check values 3.1: 81,274 packets of 1500 bytes in 1 s are 975.288 Mb/s."""
    interval = SubInterval(seconds=1, ip_bytes=frame_rate_floor(1e9, 1518) * 1500)
    assert interval.capacity_bit_s == 975.288e6


def test_the_max_capacity_is_taken_over_what_meets_every_criterion() -> None:
    """RFC 9097 s5.3."""
    intervals = [
        SubInterval(1, 100, 0.0, 0.01),
        SubInterval(1, 300, 0.2, 0.01),
        SubInterval(1, 200, 0.0, 0.5),
        SubInterval(1, 150, None, None),
    ]
    assert max_capacity_bit_s(intervals, loss_ratio_limit=0) == 1600
    assert max_capacity_bit_s(intervals, loss_ratio_limit=0, delay_range_limit_s=0.09) == 800
    assert max_capacity_bit_s(intervals, loss_ratio_limit=0.5) == 2400
    assert max_capacity_bit_s(intervals[1:2], loss_ratio_limit=0) is None
    with pytest.raises(ValueError, match="at least one criterion"):
        max_capacity_bit_s(intervals)


def test_the_narrow_link_need_not_be_the_tight_one() -> None:
    """RFC 5136; computed in check values 3.2: 100 and 1000 Mb/s with 20 and 950 used leave 50 Mb/s."""
    links = [(100e6, 20e6), (1000e6, 950e6)]
    assert narrow_link([capacity for capacity, _ in links]) == 0
    assert tight_link(links) == 1
    assert path_available_bit_s(links) == 50e6


def test_burst_timing_of_rfc_2889() -> None:
    """App. A.2: 24 frames of 64 bytes at 10 Mb/s last 1603.2 us; with 1612.8 us between them 10 s hold 3110."""
    burst = burst_time_s(24, 64, 10e6)
    assert burst == pytest.approx(1603.2e-6, rel=1e-12)
    assert bursts_in(10, burst, 1612.8e-6) == 3110


@pytest.mark.parametrize(("load", "between_us", "bursts"), [(0.5, 1622.4, 3101), (1.0, 9.6, 6201)])
def test_gaps_between_bursts_follow_formula_a_1(load: float, between_us: float, bursts: int) -> None:
    """The example in App. A.2 gives the gap of 50 % for 100 %, so these are computed from its formula."""
    between = between_bursts_s(load, 24, 64, 10e6)
    assert between == pytest.approx(between_us * 1e-6, rel=1e-12)
    assert bursts_in(10, burst_time_s(24, 64, 10e6), between) == bursts


def test_half_the_load_is_twice_the_wire_time() -> None:
    burst = burst_time_s(24, 64, 10e6)
    assert burst + between_bursts_s(0.5, 24, 64, 10e6) == pytest.approx(2 * 24 * 84 * 8 / 10e6)


def test_a_burst_of_100_microseconds_at_most() -> None:
    size = 1518
    for rate in (1e8, 1e9, 2.5e9, 1e10):
        frames = frames_within(100e-6, size, rate)
        assert frames == 1 or burst_time_s(frames, size, rate) <= 100e-6
        assert burst_time_s(frames + 1, size, rate) > 100e-6
    assert frames_within(8 * wire_bytes(1500) / 1e9, size, 1e9) == 1


def test_no_burst_is_refused() -> None:
    with pytest.raises(ValueError, match="1 or more"):
        burst_time_s(0, 64, 1e9)
    with pytest.raises(ValueError, match="share of the line"):
        between_bursts_s(0, 1, 64, 1e9)
