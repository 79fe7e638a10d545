"""When traffic starts: after both ends have been told, however far away they are."""

from __future__ import annotations

import pytest

from orchestrator.act.clocks import HostClock, lead_s


@pytest.mark.parametrize("round_trip_s", [0.001, 0.03, 0.2, 0.6])
def test_the_start_lies_behind_the_time_that_telling_it_takes(round_trip_s: float) -> None:
    """A host that hears of the start after it counts a window in which nothing was sent at first."""
    clocks = [HostClock(0, 0.0005), HostClock(0, round_trip_s / 2)]
    assert lead_s(clocks) >= 0.08
    assert lead_s(clocks) >= 1.5 * round_trip_s  # one way, and a retransmission's worth of room
