"""When datagrams were sent and when the kernel received them: what jitter and delay variation are computed from.

In full flow only numbers are kept: the receive time less the send time, of the first datagram of each burst (the rest
of a burst was sent at the same instant, so its times say nothing but the line's rate) and of each coalesced block
(which has one receive time). Above some ten thousand a second a part of each interval is kept, in one piece. The
formulas are those of metrics/, applied when the traffic has ended. Of a window of more than ten minutes only every
n-th interval is looked at, so that what is kept never grows beyond what those need.

The two ends' clocks need not agree; where one runs faster, that shows in the least delays of the intervals and is
taken out of the delay variation. The receiver's is the wall clock, which the kernel stamps with, so a wall clock that
was set in the middle makes the figures void, and that is said.
"""

from __future__ import annotations

import array
import itertools
from typing import List, Optional, Tuple

from orchestrator.metrics import clock_skew
from orchestrator.metrics.delay_variation import above_min_percentile
from orchestrator.metrics.jitter import Jitter
from orchestrator.onhost.system.socket_options import SO_TIMESTAMPNS
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.stamps import STEPPED_NS, wall_offset_ns

_KEPT_IN_ALL = 400_000  # their jitter takes a few tenths of a second to compute
_LEAST_IN_ONE = 64  # of an interval: fewer would not show a burst
_MOST_INTERVALS = _KEPT_IN_ALL // _LEAST_IN_ONE
_LATEST_NS = 1 << 62  # a century and a half: whatever a datagram says of its sending, the difference has 64 bits
_BELIEVED_NS = 60_000_000_000  # no queue holds a datagram for so long: who differs more from most was not sent so


class Arrivals:
    """The transit times of one stream over the window."""

    def __init__(self) -> None:
        self.room = 0  # how many more to keep in this interval; 0 outside the window
        self._per_interval = 0
        self._every = 1  # one interval in so many is looked at
        self._place = 0
        self._transits = array.array("q")
        self._sent = array.array("q")
        self._interval_ends: List[int] = []  # how many transits there were at the end of each interval
        self._last_sent_ns = -1
        self._first_ones = self._followers = 0
        self._cut = False
        self._wall_offset_ns = 0
        self._stepped = False

    def open_window(self, intervals: int) -> None:
        """The window begins; it has so many intervals."""
        self._per_interval = max(_LEAST_IN_ONE, _KEPT_IN_ALL // max(1, intervals))
        self._every = -(-intervals * self._per_interval // _KEPT_IN_ALL) if intervals > _MOST_INTERVALS else 1
        self._wall_offset_ns = wall_offset_ns()
        self.room = self._per_interval

    def next_interval(self) -> None:
        """An interval of the window has ended."""
        looked_at = self._place % self._every == 0
        self._cut = self._cut or self.room <= 0
        if looked_at:
            self._interval_ends.append(len(self._transits))
        self._place += 1
        self.room = 0 if self._place % self._every else self._per_interval

    def close_window(self) -> None:
        """The window has ended."""
        self.next_interval()
        self.room = 0
        self._stepped = abs(wall_offset_ns() - self._wall_offset_ns) > STEPPED_NS

    def note(self, sent_ns: Tuple[int, ...], received_ns: List[int]) -> None:
        """Take in a batch, in order of arrival."""
        last = self._last_sent_ns
        kept, kept_sent = [], []
        for sent, received in zip(sent_ns, received_ns):
            if sent != last:
                said = min(sent, _LATEST_NS)
                kept.append(received - said)
                kept_sent.append(said)
                last = sent
        self._last_sent_ns = last
        self._transits.extend(kept)
        self._sent.extend(kept_sent)
        self._first_ones += len(kept)
        self._followers += len(sent_ns) - len(kept)
        self.room -= len(sent_ns)

    def summary(self, coalesced_mean: Optional[float]) -> StreamResult:
        """Jitter and delay variation, and what they rest on. `coalesced_mean` is datagrams per coalesced block."""
        refused = self._refuse_impossible()
        return {**self._summary(coalesced_mean), "send_times_refused": refused}

    def _refuse_impossible(self) -> int:
        """Leave out what says to have been sent at an impossible time, as a forged datagram may; how many did."""
        if not self._transits or max(self._transits) - min(self._transits) <= _BELIEVED_NS:
            return 0
        middle = sorted(self._transits)[len(self._transits) // 2]
        kept = [abs(transit - middle) <= _BELIEVED_NS for transit in self._transits]
        before = [0, *itertools.accumulate(kept)]
        self._transits = array.array("q", itertools.compress(self._transits, kept))
        self._sent = array.array("q", itertools.compress(self._sent, kept))
        self._interval_ends = [before[end] for end in self._interval_ends]
        return len(kept) - before[-1]

    def _summary(self, coalesced_mean: Optional[float]) -> StreamResult:
        if self._stepped or len(self._transits) < 2:
            why = (
                "the receiver's wall clock was set during the window"
                if self._stepped
                else "too few arrivals"
                if SO_TIMESTAMPNS is not None
                else "no kernel receive times on this system"
            )
            return {
                "jitter_mean_s": None,
                "jitter_basis": f"none: {why}",
                "delay_variation_p99_s": None,
                "clock_skew_ppm": None,
                "transit_samples": len(self._transits),
            }
        jitter = Jitter()
        least, begun = min(self._transits), self._sent[0]  # small numbers keep their last digits as floating point
        transits = [(transit - least) / 1e9 for transit in self._transits]
        for transit in transits:
            jitter.arrival(transit)
        times = [(sent - begun) / 1e9 for sent in self._sent]
        gained = clock_skew.skew(self._least_of_intervals(times, transits))
        steady = transits if gained is None else clock_skew.without(times, transits, gained)
        return {
            "jitter_mean_s": jitter.mean,
            "jitter_basis": self._basis(coalesced_mean),
            "delay_variation_p99_s": above_min_percentile(steady, 99),
            "transit_samples": len(transits),
            "clock_skew_ppm": None if gained is None else 1e6 * gained,
        }

    def _least_of_intervals(self, times: List[float], transits: List[float]) -> List[Tuple[float, float]]:
        """(send time, transit) of each interval's least transit, s."""
        found, begin = [], 0
        for end in self._interval_ends:
            if end > begin:
                least = min(range(begin, end), key=transits.__getitem__)
                found.append((times[least], transits[least]))
            begin = end
        return found

    def _basis(self, coalesced_mean: Optional[float]) -> str:
        if coalesced_mean is not None and coalesced_mean > 1.0:
            what = f"of coalesced blocks of {coalesced_mean:.3g} datagrams on average"
        elif self._followers:
            what = f"of the first datagram of each burst of {1 + self._followers / self._first_ones:.3g} on average"
        else:
            what = "of every datagram"
        return f"kernel receive times {what}" + self._part()

    def _part(self) -> str:
        if self._every > 1:
            return f", from a part of one interval in {self._every}"
        return ", from a part of each interval" if self._cut else ""
