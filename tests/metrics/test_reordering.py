"""Reordering against the worked examples of RFC 4737 and RFC 5236."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.metrics.reorder_density import displacement_density, displacements, occupancy_density
from orchestrator.metrics.reordering import ReorderCount, free_runs, reordered_packets, reordering_gaps

# RFC 4737 s7.1 to s7.3: packets of 100 bytes every 20 ms; arrivals, arrival times in ms,
# {number: (extent, arrivals before it, offset in bytes, late in ms)}
RFC_4737 = {
    "7.1": ([1, 2, 3, 5, 6, 7, 8, 4, 9, 10], [68, 88, 108, 148, 168, 188, 208, 210, 228, 248], {4: (4, 4, 400, 62)}),
    "7.2": (
        [1, 2, 3, 4, 7, 5, 6, 8, 9, 10],
        [68, 88, 108, 128, 188, 189, 190, 208, 228, 248],
        {5: (1, 1, 100, 1), 6: (2, 0, 100, 2)},
    ),
    "7.3": (
        [1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11],
        [68, 88, 108, 188, 208, 228, 248, 250, 252, 256, 268],
        {4: (4, 4, 400, 62), 5: (5, 0, 400, 64), 6: (6, 0, 400, 68)},
    ),
}


@pytest.mark.parametrize("example", RFC_4737)
def test_the_examples_of_rfc_4737_section_7(example: str) -> None:
    numbers, arrivals, expected = RFC_4737[example]
    found = reordered_packets(numbers, arrival_s=arrivals, packet_bytes=100)
    assert {p.number: (p.extent, p.before_it, p.offset_bytes, p.late_s) for p in found} == expected


def test_the_first_example_of_rfc_4737_in_full() -> None:
    numbers = RFC_4737["7.1"][0]
    (packet,) = reordered_packets(numbers)
    assert packet.next_expected == 9
    assert packet.late_s is None
    count = ReorderCount()
    assert [number for number in numbers if count.arrival(number)] == [4]
    assert count.ratio == 1 / 10


def test_gaps_and_runs_of_rfc_4737() -> None:
    """RFC 4737 s4.5.4 and s4.6: extents 2, 3 and 2; gap at packet 12 is 7; runs without reordering 5, 0, 5."""
    numbers = [1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16]
    found = reordered_packets(numbers)
    assert [(packet.number, packet.extent) for packet in found] == [(4, 2), (5, 3), (11, 2)]
    assert reordering_gaps(found) == [7]
    assert free_runs(numbers).lengths == (5, 0, 5)


def test_only_the_first_of_three_late_packets_is_n_reordered() -> None:
    """RFC 4737 s5.4: of 1 2 3 7 8 9 4 5 6 only 4 is n-reordered, n = 3."""
    found = reordered_packets([1, 2, 3, 7, 8, 9, 4, 5, 6])
    assert [(packet.number, packet.before_it) for packet in found] == [(4, 3), (5, 0), (6, 0)]


def _arrivals_with_runs(lengths: list[int]) -> list[int]:
    """Runs in order, each ended by a packet that belonged before it."""
    numbers: list[int] = []
    late, following = 1, 1000
    for length in lengths:
        numbers += [*range(following, following + length), late]
        late += 1
        following += length
    return numbers


@pytest.mark.parametrize(("lengths", "squares", "spread"), [([11, 11, 11], 363, 1.0), ([1, 1, 31], 963, 2.65)])
def test_runs_of_equal_and_unequal_length_of_rfc_4737(lengths: list[int], squares: int, spread: float) -> None:
    """RFC 4737 s4.6.4: 36 packets with 3 runs; q 363 or 963, q/a 11 or 29.18, ratio 1.0 or 2.65."""
    runs = free_runs(_arrivals_with_runs(lengths))
    assert runs.received == 36
    assert runs.squares == squares
    assert runs.spread == pytest.approx(spread, abs=0.005)


def test_packets_in_order_have_no_runs_to_compare() -> None:
    assert free_runs([1, 2, 3]).spread is None
    assert ReorderCount().ratio is None


@given(st.permutations(range(1, 13)))
def test_extents_agree_with_the_definition_taken_literally(numbers: list[int]) -> None:
    """RFC 4737 s4.2.2: i - j for the smallest j with s[j] > s[i]."""
    expected = {
        number: i - next(j for j in range(i) if numbers[j] > number)
        for i, number in enumerate(numbers)
        if any(other > number for other in numbers[:i])
    }
    assert {packet.number: packet.extent for packet in reordered_packets(numbers)} == expected


def test_a_copy_is_refused_where_it_would_count_as_reordered() -> None:
    with pytest.raises(ValueError, match="arrives twice"):
        reordered_packets([1, 2, 1])


# RFC 5236 s3, s4, s8: arrivals, threshold, displacement density, buffer-occupancy density
RFC_5236 = [
    ([1, 4, 2, 5, 3, 6, 7, 8], 4, {-2: 0.125, -1: 0.125, 0: 0.5, 1: 0.125, 2: 0.125}, {0: 0.625, 1: 0.25, 2: 0.125}),
    ([1, 2, 4, 5, 6, 7], 3, {0: 1.0}, {0: 0.5, 1: 1 / 6, 2: 1 / 6, 3: 1 / 6}),
    ([1, 3, 2, 3, 4, 5], 2, {-1: 0.2, 0: 0.6, 1: 0.2}, {0: 0.8, 1: 0.2}),
]


@pytest.mark.parametrize(("arrivals", "threshold", "displaced", "occupied"), RFC_5236)
def test_densities_of_rfc_5236(
    arrivals: list[int], threshold: int, displaced: dict[int, float], occupied: dict[int, float]
) -> None:
    assert displacement_density(arrivals, threshold) == displaced
    assert occupancy_density(arrivals, threshold) == pytest.approx(occupied)


@pytest.mark.parametrize(
    ("arrivals", "expected"),
    [
        ([1, 2, 5, 3, 6, 2], [0, 0, -2, 2, 0, None]),  # 4 lost, 2 twice
        ([1, 4, 3, 5, 3, 8, 7, 6], [0, -1, 1, 0, None, -2, 0, 2]),  # 2 lost
    ],
)
def test_lost_numbers_are_skipped_and_copies_ignored(arrivals: list[int], expected: list[int | None]) -> None:
    assert displacements(arrivals) == expected


def test_a_packet_beyond_the_threshold_counts_as_lost() -> None:
    """2 arrives four places late: with a threshold of 3 it is as if it had been lost."""
    arrivals = [1, 3, 4, 5, 6, 2, 7]
    assert displacements(arrivals, 4) == [0, -1, -1, -1, -1, 4, 0]
    assert displacements(arrivals, 3) == [0, 0, 0, 0, 0, None, 0]


@given(st.permutations(range(1, 10)))
def test_without_loss_the_displacements_cancel(arrivals: list[int]) -> None:
    """RFC 5236 s3: what some packets are early, others are late."""
    assert sum(moved for moved in displacements(arrivals) if moved is not None) == 0


def test_numbers_start_at_one() -> None:
    with pytest.raises(ValueError, match="start at 1"):
        displacements([0, 1])
