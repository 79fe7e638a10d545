"""The times of one trial on one host's own clock."""

from __future__ import annotations

import time
from typing import Mapping, NamedTuple

from orchestrator.metrics import clock_skew
from orchestrator.onhost.refusal import Refusal

# Sending goes on after the window, so that the window's end lies inside the traffic on both ends, whatever the two
# clocks' mapping is off by and however much is on its way.
TAIL_NS = 100_000_000
DRAIN_NS = 2_000_000_000  # RFC 2544 s23: wait two seconds for what is late
# A slow link may have megabytes in front of it when TCP stops sending; as long as they arrive they are waited for.
LONGEST_DRAIN_NS = 10_000_000_000
_LATE_NS, _LATE_SHARE = 1_000_000, 0.001  # of a window's beginning that may have gone by unused
_LONGEST_NS = 25 * 3600 * 10**9 + 10**9  # a day, and an hour of warm-up


class Window(NamedTuple):
    """Nanoseconds of CLOCK_MONOTONIC: traffic starts, the counted window, traffic stops, waiting for the rest stops.

    `drained_ns` is for what arrives in no order or not at all, `given_up_ns` for what still comes in.
    """

    start_ns: int
    from_ns: int
    to_ns: int
    stop_ns: int
    drained_ns: int
    given_up_ns: int

    @property
    def seconds(self) -> float:
        """Length of the counted window."""
        return (self.to_ns - self.from_ns) / 1e9


def read_window(told: Mapping[str, int]) -> Window:
    """The times as the controller told them. Refusal when they lie in the past or make no window."""
    start, begin, end = (int(told[name]) for name in ("start_ns", "window_from_ns", "window_to_ns"))
    now = time.monotonic_ns()
    if not (start <= begin < end and end - start < _LONGEST_NS):
        raise Refusal("bad_window", "the window's times are not in order", **told)
    if end <= now:
        raise Refusal("too_late", "the window had ended before this end was told of it", late_s=(now - end) / 1e9)
    if now - begin > max(_LATE_NS, _LATE_SHARE * (end - begin)):  # its first part would count as a pause of the path
        late_s = (now - begin) / 1e9
        raise Refusal(
            "too_late",
            f"the window had begun {late_s:.3g} s before this end was told of it: the way to the "
            "host is slow, and a longer warm-up gives it time",
            late_s=late_s,
        )
    # The ends' clocks were compared before the start and part meanwhile, by up to 43 s in a day: the sender goes on for
    # as much longer, and the receiver waits for as much longer.
    drift = round(clock_skew.MOST * (end - start))
    stop = end + TAIL_NS + drift
    return Window(start, begin, end, stop, stop + drift + DRAIN_NS, stop + drift + LONGEST_DRAIN_NS)


def sleep_until(at_ns: int) -> None:
    """Sleep until an instant of CLOCK_MONOTONIC."""
    while True:
        ahead_ns = at_ns - time.monotonic_ns()
        if ahead_ns <= 0:
            return
        time.sleep(ahead_ns / 1e9)
