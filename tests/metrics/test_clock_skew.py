"""One clock faster than the other: read from the least delays, taken out, and never mistaken for a queue."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from orchestrator.metrics import clock_skew
from orchestrator.metrics.delay_variation import above_min_percentile


def delays(slope: float, seed: int, count: int = 2000, seconds: float = 10.0) -> tuple[list[float], list[float]]:
    """Send times and delays over a path of 0.2 ms whose queue adds 50 µs on average, by clocks with a skew."""
    chance = random.Random(seed)
    times = [place * seconds / count for place in range(count)]
    return times, [2e-4 + chance.expovariate(1 / 50e-6) + slope * at for at in times]


def min_of(times: list[float], shown: list[float], each: int) -> list[tuple[float, float]]:
    groups = [range(begin, begin + each) for begin in range(0, len(times), each)]
    return [(times[best], shown[best]) for best in (min(group, key=shown.__getitem__) for group in groups)]


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("ppm", [-200, -50, -3, 0, 3, 50, 200])
def test_a_skew_is_found_to_a_ppm_and_the_variation_is_the_paths_own(ppm: float, seed: int) -> None:
    times, shown = delays(ppm * 1e-6, seed)
    _, true = delays(0.0, seed)
    found = clock_skew.skew(min_of(times, shown, 20))
    assert found == pytest.approx(ppm * 1e-6, abs=1e-6)
    assert found is not None
    steady = clock_skew.without(times, shown, found)
    assert above_min_percentile(steady, 99) == pytest.approx(above_min_percentile(true, 99), rel=0.05)


@given(st.lists(st.integers(0, 10_000), min_size=10, max_size=60), st.integers(-200, 200))
def test_the_line_is_the_one_that_linear_programming_finds(queued_us: list[int], ppm: int) -> None:
    """The definition in the paper: minimise the sum of distances of a line that lies under every point (by scipy)."""
    points = [(0.1 * place, 1e-6 * (queued / 20) + ppm * 1e-6 * 0.1 * place) for place, queued in enumerate(queued_us)]
    found = clock_skew.skew(points)
    if found is None:
        return
    solved = linprog(
        [-sum(at for at, _ in points), -len(points)],
        A_ub=[[at, 1.0] for at, _ in points],
        b_ub=[1e6 * delay for _, delay in points],
        bounds=[(None, None), (None, None)],
    )
    slope, height = solved.x
    ours = min(1e6 * delay - 1e6 * found * at for at, delay in points)

    def room(slope_us: float, height_us: float) -> float:
        return sum(1e6 * delay - slope_us * at - height_us for at, delay in points)

    assert room(1e6 * found, ours) == pytest.approx(room(slope, height), abs=1e-4)


@pytest.mark.parametrize("slope", [600e-6, 0.01, -0.002])
def test_a_queue_that_grows_faster_than_any_clock_is_left_in(slope: float) -> None:
    times, shown = delays(slope, 1)
    assert clock_skew.skew(min_of(times, shown, 20)) is None


def test_a_short_sample_says_nothing_of_the_clocks() -> None:
    times, shown = delays(50e-6, 1, count=180, seconds=0.9)
    assert clock_skew.skew(min_of(times, shown, 20)) is None
    assert clock_skew.skew([]) is None


def test_a_step_of_the_path_is_no_skew() -> None:
    """RFC 5481 figure 5: a path 4 ms long becomes 9 ms long; the least delays before and after are flat."""
    points = [(float(place), 4e-3 if place < 4 else 9e-3) for place in range(10)]
    assert clock_skew.skew(points) is None, "5 ms in 5 s is more than any clock"
    assert clock_skew.skew([(at, 4e-3 if at < 6 else 4.05e-3) for at, _ in points]) == 0
