"""What is summed up while a window runs equals what the whole series says, on random series; and stays small."""

from __future__ import annotations

import json
import math
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.decide.verdict import series
from orchestrator.metrics.percentile import percentile
from orchestrator.metrics.sample import EXACT, Sample
from orchestrator.metrics.steadiness import EXACT_INTERVALS, Steadiness
from orchestrator.onhost.traffic import tcp_info
from tests.metrics import whole_series

UNIT_BYTES = 1448


def made(draw: random.Random, count: int) -> list[int]:
    """A series of one of many kinds: noise, drift, levels, holes, slow or fast."""
    mean = 10 ** draw.uniform(2, 9)
    noise, drift = draw.choice([0, 0.01, 0.1, 0.4]), draw.choice([0, 0, 0.3, -0.8])
    levels = draw.choice([(1.0,), (1.0, draw.uniform(0.2, 0.95)), (1.0, 0.5, 0.0)])
    stay, holes = draw.choice([1, 4, 20, 100, 400]), draw.choice([0, 0, 0.02, 0.3])
    octets, level, hole = [], 1.0, 0
    for place in range(count):
        if place % stay == 0:
            level = draw.choice(levels)
        if not hole and draw.random() < holes:
            hole = draw.choice([1, 2, 5, 40, 250])
        value = mean * level * (1 + drift * place / count) * draw.gauss(1, noise)
        octets.append(0 if hole else max(0, round(value)))
        hole = max(0, hole - 1)
    return octets


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32), count=st.integers(1, EXACT_INTERVALS))
def test_up_to_a_thousand_intervals_nothing_differs_from_the_whole_series(seed: int, count: int) -> None:
    octets = made(random.Random(seed), count)
    seen = series.summed_up(octets, 0.1)
    found, expected = series.stalls(seen, UNIT_BYTES), whole_series.stalls(octets, 0.1, UNIT_BYTES)
    assert (found.longest_s, found.total_s) == pytest.approx((expected.longest_s, expected.total_s))
    assert series.trend(seen) == whole_series.trend(octets)
    assert series.two_levels(seen) == (
        None if (levels := whole_series.two_levels(octets)) is None else pytest.approx(levels)
    )


@pytest.mark.parametrize("seed", range(12))
def test_beyond_a_thousand_intervals_stalls_and_trends_are_the_same_and_levels_to_a_hundredth(seed: int) -> None:
    octets = made(random.Random(seed), 1500)
    seen = series.summed_up(octets, 0.1)
    found, expected = series.stalls(seen, UNIT_BYTES), whole_series.stalls(octets, 0.1, UNIT_BYTES)
    assert (found.longest_s, found.total_s) == pytest.approx((expected.longest_s, expected.total_s))
    assert series.trend(seen) == whole_series.trend(octets)
    levels, told = whole_series.two_levels(octets), series.two_levels(seen)
    if levels is None or told is None:
        # a series at the very threshold may fall on either side of it
        assert levels == told or _at_the_threshold(octets)
    else:
        assert told == pytest.approx(levels, rel=0.02)


def _at_the_threshold(octets: list[int]) -> bool:
    scaled = [
        whole_series.two_levels([octet + draw.randrange(1 + octet // 50) for octet in octets])
        for draw in map(random.Random, range(3))
    ]
    return len({levels is None for levels in scaled}) > 1


def test_two_levels_of_minutes_are_found_in_hours() -> None:
    draw = random.Random(5)
    octets = [round(draw.gauss(1e8 if place // 3000 % 2 else 6e7, 1e6)) for place in range(72_000)]
    assert series.two_levels(series.summed_up(octets, 0.1)) == pytest.approx((6e7, 1e8), rel=0.01)


def test_an_interval_that_is_left_out_ends_an_empty_stretch() -> None:
    steadiness = Steadiness(10, 0.1)
    for place in (0, 1, 3, 4):
        steadiness.take(place, 0)
    assert steadiness.summary()["empty"] == [{"stretches": 2, "intervals": 4, "longest": 2}]


@pytest.mark.parametrize("seed", range(3))
def test_a_summary_stays_small_whatever_the_series_is(seed: int) -> None:
    """A day's worst: stretches of every length, rates of every size. A message has room for 4 MiB."""
    draw = random.Random(seed)
    steadiness = Steadiness(864_000, 0.1)
    place = 0
    while place < 864_000:
        place += draw.randrange(1, 5000)
        steadiness.take(place, round(10 ** draw.uniform(0, 11)))
        for empty in range(draw.randrange(1, 3000)):
            steadiness.take(place + 1 + empty, 0)
        place += 3001
    assert len(json.dumps(steadiness.summary())) < 40_000
    assert len(steadiness._levels._counts) < 3000


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    count=st.sampled_from([1, 2, 99, 100, 101, 5000, EXACT, EXACT + 1, 3 * EXACT]),
    lost=st.integers(0, 400),
)
def test_percentiles_of_a_sample_are_those_of_the_whole_or_within_a_thousandth(
    seed: int, count: int, lost: int
) -> None:
    draw = random.Random(seed)
    values = [draw.choice([draw.expovariate(1000), draw.gauss(1e-3, 1e-5), 3e-7]) for _ in range(count)]
    values = [abs(value) for value in values]
    sample = Sample()
    for value in values:
        sample.add(value)
    assert (sample.count, sample.min, sample.largest) == (count, min(values), max(values))
    for per_cent in (50, 99):
        expected = percentile([*values, *[None] * lost], per_cent)
        found = sample.percentile(per_cent, lost)
        if count <= EXACT or math.isinf(expected):
            assert found == expected
        else:
            assert found == pytest.approx(expected, rel=1e-3)


_FIELDS = (
    "data_segs_out",
    "total_retrans",
    "bytes_sent",
    "bytes_retrans",
    "rwnd_limited_us",
    "sndbuf_limited_us",
    "busy_us",
    "reord_seen",
    "dsack_dups",
    "data_segs_in",
    "rcv_ooopack",
)


@pytest.mark.parametrize("seed", range(20))
def test_counts_of_a_connection_add_up_however_often_those_of_32_bits_go_round(seed: int) -> None:
    """At 100 Gb/s data_segs_out goes round every nine minutes. The referee counts without a limit."""
    draw = random.Random(seed)
    true: dict[str, int] = {name: draw.randrange(1 << 32) for name in _FIELDS}
    first = dict(true)
    readings: list[dict[str, int]] = []
    for _ in range(50):
        readings.append(_shown(true, draw))
        last = dict(true)
        true = {name: value + draw.randrange(1 << 31) for name, value in true.items()}
    whole = _shown(true, draw)
    sent = tcp_info.sent_summary(tcp_info.Account(readings), whole)
    received = tcp_info.received_summary(tcp_info.Account(readings), whole)
    assert sent["segments_sent"] == last["data_segs_out"] - first["data_segs_out"]
    assert sent["bytes_sent"] == last["bytes_sent"] - first["bytes_sent"]
    assert sent["busy_s"] == pytest.approx((last["busy_us"] - first["busy_us"]) / 1e6)
    assert sent["segments_retransmitted_whole"] == true["total_retrans"]
    assert received["segments_received_whole"] == true["data_segs_in"]
    assert sent["rtt_s"] == pytest.approx(sum(each["rtt_us"] for each in readings) / 1e6 / 50)
    assert sent["window_segments"] == pytest.approx(sum(each["snd_cwnd"] for each in readings) / 50)
    assert sent["rtt_min_s"] == min(each["min_rtt_us"] for each in readings) / 1e6


def _shown(true: dict[str, int], draw: random.Random) -> dict[str, Any]:
    """As the kernel shows it."""
    counts = {name: value % (1 << 32) if name in tcp_info._OF_32_BITS else value for name, value in true.items()}
    return {
        **counts,
        "rtt_us": draw.randrange(100, 9000),
        "snd_cwnd": draw.randrange(1, 500),
        "min_rtt_us": draw.randrange(50, 100),
        "snd_mss": 1448,
        "rcv_mss": 1448,
        "pmtu": 1500,
        "rcv_rtt_us": 90,
        "rcv_space": 10_000,
    }
