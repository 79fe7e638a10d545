"""The account of sequence numbers, checked against the definition of RFC 4737 and against counting plainly."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.onhost.traffic.datagrams import AFTER, PHASE_SPAN, WARM_UP, WINDOW
from orchestrator.onhost.traffic.sequence import Sequence

FIRST = 1 << 61


def take(sequence: Sequence, numbers: list[int], batch: int) -> int:
    """As a receiver does it: what is expected in a whole batch the quick way, everything else one by one."""
    fresh = 0
    for start in range(0, len(numbers), batch):
        piece = [FIRST + number for number in numbers[start : start + batch]]
        if piece == list(range(sequence.expected, sequence.expected + len(piece))):
            sequence.run(len(piece))
            fresh += len(piece)
        else:
            fresh += sequence.take(tuple(piece))
    return fresh


def reordered_of(numbers: list[int]) -> int:
    """RFC 4737 s3.3, without copies: how many arrive with a number below the largest so far and one."""
    return sum(number < max(numbers[:place], default=-1) + 1 for place, number in enumerate(numbers))


@given(st.lists(st.integers(0, 60), max_size=120), st.integers(1, 9))
def test_unique_duplicate_and_reordered_are_those_of_the_definition(numbers: list[int], batch: int) -> None:
    sequence = Sequence(FIRST)
    fresh = take(sequence, numbers, batch)
    first_copies = list(dict.fromkeys(numbers))
    assert fresh == sequence.total("unique") == len(first_copies)
    assert sequence.total("duplicate") == sum(count - 1 for count in Counter(numbers).values())
    assert sequence.total("reordered") == reordered_of(first_copies)


# RFC 4737 section 7.1 (and errata-free appendix): the arrival orders whose reordered packets the RFC names.
@pytest.mark.parametrize(
    ("order", "reordered"),
    [
        ([1, 2, 3, 5, 6, 7, 8, 4, 9, 10], 1),
        ([1, 2, 3, 4, 7, 5, 6, 8, 9, 10], 2),
        ([1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11], 3),
        ([1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16], 3),
    ],
)
@pytest.mark.parametrize("batch", [1, 3, 64])
def test_the_rfcs_arrival_orders_give_the_rfcs_counts(order: list[int], reordered: int, batch: int) -> None:
    sequence = Sequence(FIRST)
    take(sequence, order, batch)
    assert sequence.total("reordered") == reordered
    assert sequence.total("unique") == len(order)


def test_a_repeated_number_inside_a_batch_of_the_right_length_is_seen() -> None:
    sequence = Sequence(FIRST)
    sequence.run(1)
    assert take(sequence, [1, 3, 3, 4], 4) == 3
    assert sequence.total("duplicate") == 1
    assert sequence.highest(WARM_UP) == 4


def test_a_lost_datagram_is_missing_once_and_a_late_copy_of_it_is_new() -> None:
    sequence = Sequence(FIRST)
    take(sequence, [0, 1, 2, 4, 5], 5)
    assert sequence.total("unique") == 5
    assert take(sequence, [3, 3], 2) == 1
    assert (sequence.total("unique"), sequence.total("duplicate"), sequence.total("reordered")) == (6, 1, 1)


def test_each_phase_has_its_own_account_and_late_ones_return_to_theirs() -> None:
    sequence = Sequence(FIRST)
    window, after = PHASE_SPAN, 2 * PHASE_SPAN
    take(sequence, [0, 1, 3, window, window + 1, 2, 4, after, window + 2], 3)
    assert sequence.unique_by_phase() == [5, 3, 1]
    assert [phase.reordered for phase in sequence.phases] == [2, 1, 0]
    assert [sequence.highest(phase) for phase in (WARM_UP, WINDOW, AFTER)] == [4, 2, 0]


def test_numbers_of_nobodys_making_change_no_count() -> None:
    sequence = Sequence(FIRST)
    take(sequence, [0, 1], 2)
    assert sequence.take((0, 77, FIRST - 1, FIRST + 3 * PHASE_SPAN, (1 << 64) - 1)) == 0
    assert sequence.foreign == 5
    assert (sequence.total("unique"), sequence.total("duplicate"), sequence.expected) == (2, 0, FIRST + 2)


def test_a_number_far_ahead_does_not_take_memory_for_all_between() -> None:
    sequence = Sequence(FIRST)
    assert take(sequence, [0, 1 << 39, (1 << 39) + 1, 1 << 39], 2) == 3
    assert sequence.total("duplicate") == 1


def test_three_per_cent_of_loss_at_random_is_counted_to_the_datagram() -> None:
    drawn = random.Random(7)
    numbers = [number for number in range(20000) if drawn.random() >= 0.03]
    sequence = Sequence(FIRST)
    assert take(sequence, numbers, 64) == len(numbers)
    assert sequence.highest(WARM_UP) + 1 - sequence.total("unique") == numbers[-1] + 1 - len(numbers)
