"""Packet reordering, RFC 4737: which packets, how far, how late, and in what pattern.

A packet is reordered when its number is below the next one expected; otherwise the next expected is its number + 1.
A packet that arrives again is left out (RFC 4737 s3.4).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import List, Optional, Sequence


class ReorderCount:
    """The count alone, for a receiver in full flow: one comparison per datagram.

    It does not see duplicates: a late copy of a datagram would count as reordered, so drop copies first.
    """

    def __init__(self) -> None:
        self.received = 0
        self.reordered = 0
        self.next_expected = 0

    def arrival(self, number: int) -> bool:
        """Count one arrival; True when it is reordered."""
        self.received += 1
        if number < self.next_expected:
            self.reordered += 1
            return True
        self.next_expected = number + 1
        return False

    @property
    def ratio(self) -> Optional[float]:
        """Reordered / received (s4.1); None when nothing was received."""
        return self.reordered / self.received if self.received else None


@dataclass(frozen=True)
class Reordered:
    """One reordered packet."""

    number: int
    position: int  # its place among the arrivals, from 0
    next_expected: int
    extent: int  # arrivals back to the earliest with a larger number (s4.2)
    before_it: int  # n-reordering: arrivals directly before it that all have larger numbers (s5.4)
    offset_bytes: int  # bytes held back: of the packets in between with larger numbers (s4.4)
    late_s: Optional[float]  # arrival after that earliest one (s4.3); None without arrival times


@dataclass(frozen=True)
class Runs:
    """Runs of packets in order between reordered ones (s4.6); a run in progress at the end does not count."""

    lengths: Sequence[int]
    received: int

    @property
    def squares(self) -> int:
        """The sum of the squared lengths, q."""
        return sum(length * length for length in self.lengths)

    @property
    def spread(self) -> Optional[float]:
        """(q/a)/(a/n): 1 when all runs are alike, larger the more they differ; None without a packet in a run."""
        total = sum(self.lengths)
        return self.squares / total / (total / len(self.lengths)) if total else None


def reordered_packets(
    numbers: Sequence[int], *, arrival_s: Optional[Sequence[float]] = None, packet_bytes: int = 1
) -> List[Reordered]:
    """Every reordered packet of a sample, `numbers` in order of arrival without duplicates.

    A sample of n packets with r reordered ones takes n + r x (furthest extent) steps.
    """
    if len(set(numbers)) != len(numbers):
        raise ValueError("a number arrives twice: leave copies out before asking for reordering")
    out: List[Reordered] = []
    record_numbers: List[int] = []  # each arrival that was larger than all before it,
    record_positions: List[int] = []  # so the earliest larger one is found by halving
    next_expected = 0
    for position, number in enumerate(numbers):
        if number >= next_expected:
            next_expected = number + 1
            record_numbers.append(number)
            record_positions.append(position)
            continue
        earliest = record_positions[bisect_right(record_numbers, number)]
        out.append(
            Reordered(
                number=number,
                position=position,
                next_expected=next_expected,
                extent=position - earliest,
                before_it=_larger_directly_before(numbers, position),
                offset_bytes=packet_bytes * sum(1 for other in numbers[earliest:position] if other > number),
                late_s=None if arrival_s is None else arrival_s[position] - arrival_s[earliest],
            )
        )
    return out


def reordering_gaps(reordered: Sequence[Reordered]) -> List[int]:
    """Arrivals between successive discontinuities, the packets whose early arrival made others late (s4.5)."""
    places: List[int] = []
    for packet in reordered:
        place = packet.position - packet.extent
        if not places or place > places[-1]:
            places.append(place)
    return [later - earlier for earlier, later in zip(places, places[1:])]


def free_runs(numbers: Sequence[int]) -> Runs:
    """The runs between reordered packets (s4.6)."""
    count = ReorderCount()
    lengths: List[int] = []
    length = 0
    for number in numbers:
        if count.arrival(number):
            lengths.append(length)
            length = 0
        else:
            length += 1
    return Runs(tuple(lengths), count.received)


def _larger_directly_before(numbers: Sequence[int], position: int) -> int:
    back = 0
    while back < position and numbers[position - back - 1] > numbers[position]:
        back += 1
    return back
