"""Every sequence number of one stream of datagrams: which are new, which came twice, which came late.

The quick way is a comparison with the numbers that come next if nothing is lost, done by the caller for a whole
batch; all numbers take part in it (1, 3, 3, 4 has the first, the last and the length of 1, 2, 3, 4). Only what differs
is looked at one by one. Reordered is RFC 4737 s3.3: a number below the next expected one. A number counts as reordered
when its first copy arrives so; later copies are duplicates and nothing else.
"""

from __future__ import annotations

from typing import List, Tuple

from orchestrator.onhost.traffic.datagrams import PHASE_SPAN, PHASES

_REMEMBERED = 1 << 22  # so many numbers back a datagram is still told from its own copy: 4 s at 1 M/s
_LARGEST = PHASE_SPAN - _REMEMBERED  # a day at 12 M/s: numbers above are nobody's, and none runs into the next phase
_SEEN = b"\x01"
_SEEN_RUNS = [_SEEN * count for count in range(257)]


class _Phase:
    """The numbers of one phase, counted from 0."""

    def __init__(self, first: int) -> None:
        self.first = first
        self.expected = first
        self.unique = 0
        self.duplicate = 0
        self.reordered = 0
        self._seen = bytearray()  # one octet per number from `_offset` on
        self._offset = first

    def run(self, count: int) -> None:
        """`count` numbers as expected."""
        self._seen += _SEEN_RUNS[count] if count <= 256 else _SEEN * count
        self.expected += count
        self.unique += count
        if len(self._seen) > 2 * _REMEMBERED:
            self._forget()

    def one(self, number: int, next_expected: int) -> int:
        """Any number of this phase; 1 when it is new. `next_expected` is over all phases."""
        if number >= self.expected:
            missing = number - self.expected
            if missing >= _REMEMBERED:  # bounded memory, whatever number arrives
                self._seen.clear()
                self._offset = number - _REMEMBERED
                missing = _REMEMBERED
            self._seen += bytes(missing) + _SEEN
            self.expected = number + 1
            if len(self._seen) > 2 * _REMEMBERED:
                self._forget()
        else:
            place = number - self._offset
            if place < 0 or self._seen[place]:  # older than what is remembered: cannot be told from a copy
                self.duplicate += 1
                return 0
            self._seen[place] = 1
        self.unique += 1
        if number < next_expected:
            self.reordered += 1
        return 1

    def _forget(self) -> None:
        surplus = len(self._seen) - _REMEMBERED
        del self._seen[:surplus]
        self._offset += surplus


class Sequence:
    """The account of one stream at its receiver."""

    def __init__(self, first: int) -> None:
        """`first` is the stream's secret first number."""
        self._first = first
        self._end = first + PHASES * PHASE_SPAN
        self.phases = [_Phase(first + place * PHASE_SPAN) for place in range(PHASES)]
        self._current = self.phases[0]
        self.expected = first
        self.foreign = 0

    def run(self, count: int) -> None:
        """The `count` numbers from `expected` on have come, in order."""
        self._current.run(count)
        self.expected += count

    def take(self, numbers: Tuple[int, ...]) -> int:
        """Account for the numbers of a batch, in order of arrival; returns how many of them are new."""
        fresh = 0
        for number in numbers:
            if not self._first <= number < self._end or (number - self._first) % PHASE_SPAN >= _LARGEST:
                self.foreign += 1
                continue
            phase = self.phases[(number - self._first) // PHASE_SPAN]
            fresh += phase.one(number, self.expected)
            if number >= self.expected:
                self.expected = number + 1
                self._current = phase
        return fresh

    def total(self, name: str) -> int:
        """`unique`, `duplicate` or `reordered` over all phases."""
        return sum(getattr(phase, name) for phase in self.phases)

    def highest(self, phase: int) -> int:
        """The highest number received of a phase, counted from 0; -1 when there was none."""
        return self.phases[phase].expected - 1 - self.phases[phase].first

    def unique_by_phase(self) -> List[int]:
        """New numbers of each phase."""
        return [phase.unique for phase in self.phases]
