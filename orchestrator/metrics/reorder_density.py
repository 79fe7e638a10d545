"""Reorder density and buffer occupancy, RFC 5236: the shape of reordering as two distributions.

The receive index counts arrivals, skips numbers that were lost and ignores copies; displacement = index - number.
A packet later than `threshold` is as good as lost: it counts as lost, and its number is skipped.
"""

from __future__ import annotations

from collections import Counter
from typing import Dict, List, Optional, Sequence, Set


def displacements(numbers: Sequence[int], threshold: Optional[int] = None) -> List[Optional[int]]:
    """The displacement of each arrival, None for a copy or a packet too late. Numbers start at 1."""
    if any(number < 1 for number in numbers):
        raise ValueError("sequence numbers start at 1")
    late: Set[int] = set()
    while True:
        found = _displacements_without(numbers, late)
        too_late = [
            number
            for number, moved in zip(numbers, found)
            if moved is not None and threshold is not None and moved > threshold
        ]
        if not too_late:
            return found
        late.add(too_late[0])  # one at a time: leaving one out moves all that come after it


def displacement_density(numbers: Sequence[int], threshold: Optional[int] = None) -> Dict[int, float]:
    """The share of the counted packets at each displacement (RFC 5236 s3)."""
    return _shares([moved for moved in displacements(numbers, threshold) if moved is not None])


def occupancy_density(numbers: Sequence[int], threshold: int) -> Dict[int, float]:
    """The share of arrivals after which so many packets wait for an earlier one (RFC 5236 s4).

    When more than `threshold` would wait, the missing number is given up as lost and the buffer drains.
    """
    waiting: Set[int] = set()
    expected = 1
    seen: List[int] = []
    for number in numbers:
        if number < expected or number in waiting:
            continue  # a copy, or later than it was waited for
        waiting.add(number)
        expected = _drained(waiting, expected)
        while len(waiting) > threshold:
            expected = _drained(waiting, min(waiting))
        seen.append(len(waiting))
    return _shares(seen)


def _displacements_without(numbers: Sequence[int], left_out: Set[int]) -> List[Optional[int]]:
    arriving = set(numbers) - left_out
    index = 0
    seen: Set[int] = set()
    out: List[Optional[int]] = []
    for number in numbers:
        if number in seen or number in left_out:
            out.append(None)
            continue
        seen.add(number)
        index += 1
        while index not in arriving:
            index += 1
        out.append(index - number)
    return out


def _drained(waiting: Set[int], expected: int) -> int:
    """Hand over what is in order from `expected` on; returns the next expected number."""
    while expected in waiting:
        waiting.remove(expected)
        expected += 1
    return expected


def _shares(values: Sequence[int]) -> Dict[int, float]:
    return {value: count / len(values) for value, count in sorted(Counter(values).items())}
