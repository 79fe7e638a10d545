"""Bursts at a steady rate: when the next one is due, and waiting for exactly that moment.

A sleep ends late: by 27 µs in the median with the least timer slack, by milliseconds at worst. So sleep until shortly
before, then spin; how long to spin follows from how late sleeps have been. What was missed is made up for at no more
than twice the asked rate and never above the line's own, so that one late wake-up does not become one long burst.
"""

from __future__ import annotations

import math
import time
from typing import List, Optional

BURST_TIME_S = 100e-6  # a burst occupies the line for no longer than this unless the plan says otherwise
_LARGEST_BURST = 64  # one send; what is sent again and again then stays in the processor's nearer caches
LINE_SHARE_ASKED = 0.98  # who asks for more than this share of the line wants it overrun
_EARLY_AT_FIRST_NS, _EARLIEST_NS, _SPARE_NS, _LEARN_NS = 50_000, 100_000, 5_000, 500
_WORTH_SLEEPING_NS = 200_000
_BUCKET_SHIFT = 11  # lateness is counted in steps of 2.048 µs
_BUCKETS = 2048
_NAP_NS = 50_000_000  # the longest sleep in one piece: stay able to stop


def burst_size(wire_bytes: int, line_bit_s: Optional[float], intended_frames_s: Optional[float]) -> int:
    """Datagrams per burst: as few as keep the wake-ups 100 µs apart, and never more than 100 µs of line time.

    `wire_bytes` is what one occupies the line for; `intended_frames_s` None: as fast as it goes. With no rate known
    there is nothing to be careful of (two ends on one machine), and a burst is what makes calls cheap.
    """
    most = _LARGEST_BURST
    if line_bit_s:
        most = max(1, min(most, int(BURST_TIME_S * line_bit_s / (8 * wire_bytes))))
    if intended_frames_s is None:
        return most
    return min(most, max(1, math.ceil(BURST_TIME_S * intended_frames_s)))


class Pacer:
    """The due times of one stream's bursts and how well they were kept."""

    def __init__(self, start_ns: int, interval_ns: float, line_ns: float) -> None:
        """`interval_ns` between bursts by the asked rate; `line_ns` is the line time of one burst, 0 if not known."""
        self._start_ns = start_ns
        self._interval_ns = interval_ns
        # Catching up: at most at double rate, and not above the line's unless that much was asked for anyway.
        self._gap_ns = interval_ns / 2
        if line_ns < interval_ns * LINE_SHARE_ASKED:
            self._gap_ns = max(self._gap_ns, line_ns)
        self._bursts = 0
        self._last_ns = 0.0
        self._early_ns = _EARLY_AT_FIRST_NS
        self._late = [0] * _BUCKETS

    def wait(self) -> int:
        """Wait for the next burst's due time; returns the time at which it may go, ns."""
        clock = time.monotonic_ns
        planned = self._start_ns + self._bursts * self._interval_ns
        due = max(planned, self._last_ns + self._gap_ns)
        now = clock()
        # Who is late already cannot afford another late sleep for the sake of some ten microseconds.
        if due - now > (self._early_ns if planned >= due else _WORTH_SLEEPING_NS):
            self._sleep(due - self._early_ns - now)
            now = clock()
        while now < due:
            now = clock()
        self._bursts += 1
        self._last_ns = now
        self._late[min(int(now - planned) >> _BUCKET_SHIFT, _BUCKETS - 1)] += 1
        return now

    def _sleep(self, ahead_ns: float) -> None:
        """Sleep, in naps, and learn how late sleeps end: a running median, so that half of them end in time.

        Aiming at the median keeps the spin short; a process that spins much is soon made to wait by the scheduler.
        """
        nap_ns = min(ahead_ns, _NAP_NS)
        before = time.monotonic_ns()
        time.sleep(nap_ns / 1e9)
        late_ns = time.monotonic_ns() - before - nap_ns
        step_ns = _LEARN_NS if late_ns > self._early_ns - _SPARE_NS else -_LEARN_NS
        self._early_ns = min(_EARLIEST_NS, max(_SPARE_NS, self._early_ns + step_ns))
        if ahead_ns > _NAP_NS:
            self._sleep(ahead_ns - nap_ns)

    def late_p99_s(self) -> Optional[float]:
        """How late the hundredth-worst burst was, in steps of 2 µs; 4.2 ms stands for all above."""
        return percentile_of_counts(self._late, 0.99, (1 << _BUCKET_SHIFT) / 1e9)


def percentile_of_counts(counts: List[int], share: float, step: float) -> Optional[float]:
    """The upper edge of the bucket below which `share` of all counts lie; None without any."""
    total = sum(counts)
    if not total:
        return None
    below = 0
    for place, count in enumerate(counts):
        below += count
        if below >= share * total:
            return (place + 1) * step
    return len(counts) * step
