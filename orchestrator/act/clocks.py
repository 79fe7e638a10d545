"""From the controller's clock to a host's: each host keeps its own monotonic clock, and none of them agree."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass

from orchestrator.act.session import HostSession

EXCHANGES = 5
LEAD_S = 0.08  # from telling both ends until traffic starts: some round trips over SSH
_LEAD_ROUND_TRIPS = 2


@dataclass(frozen=True)
class HostClock:
    """A host's CLOCK_MONOTONIC against ours: `offset_ns` to add, good to `error_s` (half the least round trip)."""

    offset_ns: int
    error_s: float

    def host_ns(self, ours_s: float) -> int:
        """The host's clock (ns) at our monotonic time (s)."""
        return int(ours_s * 1e9) + self.offset_ns


def lead_s(clocks: Iterable[HostClock]) -> float:
    """From telling the ends until traffic starts: enough that the farthest has heard of it by then."""
    return LEAD_S + _LEAD_ROUND_TRIPS * max(2 * clock.error_s for clock in clocks)


async def read_clock(session: HostSession) -> HostClock:
    """The offset from the exchange with the least round trip: queueing only ever makes an exchange longer."""
    clock = asyncio.get_running_loop().time
    best: HostClock | None = None
    for _ in range(EXCHANGES):
        before = clock()
        answer = await session.request("clock", {}, timeout_s=10.0)
        after = clock()
        middle_ns = int((before + after) / 2 * 1e9)
        found = HostClock(int(answer["monotonic_ns"]) - middle_ns, (after - before) / 2)
        if best is None or found.error_s < best.error_s:
            best = found
    assert best is not None  # noqa: S101 - EXCHANGES is above 0
    return best
