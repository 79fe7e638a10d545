"""Receive times on a wall clock that is set in the middle of the traffic."""

from __future__ import annotations

import pytest

from orchestrator.onhost.traffic import stamps
from orchestrator.onhost.traffic.stamps import StampClock

S, MS = 1_000_000_000, 1_000_000


@pytest.mark.parametrize("step_ns", [-3600 * S, -S, S, 10**9 * S])  # boards without a clock chip jump by years
def test_arrivals_after_a_step_of_the_wall_clock_are_timed_by_the_new_one(
    step_ns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else every arrival after a step back would bear the time of the last one before it, and no mark would go by."""
    offset_ns = 1_700_000_000 * S
    monkeypatch.setattr(stamps, "wall_offset_ns", lambda: offset_ns)
    clock = StampClock()
    assert clock.monotonic_ns(5 * S + offset_ns, 4 * S, 6 * S) == 5 * S
    offset_ns += step_ns
    assert clock.monotonic_ns(8 * S + offset_ns, 8 * S - MS, 8 * S + MS) == 8 * S
    assert clock.monotonic_ns(9 * S + offset_ns, 9 * S - MS, 9 * S + MS) == 9 * S
