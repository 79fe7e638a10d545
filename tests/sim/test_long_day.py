"""Nothing that a host or the controller keeps, or says at a time, grows with a trial's length.

`bash tests/proofs.sh day` plays the whole day.
"""

from __future__ import annotations

from orchestrator.onhost.service.frames import FRAME_LIMIT_BYTES
from tests.sim.long_day import grown, simulate


def test_memory_and_messages_are_flat_from_ten_minutes_to_an_hour():
    """36,000 intervals, 18,000 samples of two cores, and 180,000 round trips, on the virtual clock."""
    readings = simulate(3600, 2, [600, 1800, 3590])
    assert [one.at_s // 10 for one in readings if one.side == "host"] == [60, 180, 359, 360]
    assert grown(readings) == []
    assert max(one.largest_frame_bytes for one in readings) < FRAME_LIMIT_BYTES / 64
