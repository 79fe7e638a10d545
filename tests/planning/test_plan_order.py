"""The order of trials: the same on every machine, balanced in blocks, and costly settings changed seldom."""

from __future__ import annotations

from collections import Counter
from itertools import groupby

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.planning import cells, schedule
from orchestrator.planning.order import SplitMix, Trial
from tests.planning.planning_fakes import plan

FACTORS = "factors: {mtu: [1500, 9000], direction: [transmit, receive], streams: [1, 4]}\n"


def trials(seed: int = 7, replicates: int = 5, shuffle: str = "true") -> tuple[Trial, ...]:
    """The schedule of eight cells, two whole plots."""
    found = plan(f"{FACTORS}trial: {{replicates: {replicates}}}\norder: {{seed: {seed}, shuffle: {shuffle}}}\n")
    return schedule(found, cells(found))


def test_the_generator_gives_the_published_sequence() -> None:
    """SplitMix64 from seed 1234567: the five numbers that implementations of it are commonly checked against.

    Written from memory of that common example; the constants are those of Steele, Lea and Flood (OOPSLA 2014).
    """
    chance = SplitMix(1234567)
    assert [chance.next() for _ in range(5)] == [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]


def test_the_order_of_a_seed_never_changes() -> None:
    """Golden: a run repeated with a later version must draw the same order."""
    assert [trial.cell for trial in trials(seed=7, replicates=2)] == GOLDEN


GOLDEN = [3, 2, 4, 1, 6, 8, 5, 7, 5, 8, 7, 6, 2, 3, 4, 1]


@given(seed=st.integers(0, 10**18 - 1), replicates=st.integers(1, 6))
@settings(max_examples=50)
def test_every_block_holds_every_cell_once(seed: int, replicates: int) -> None:
    found = trials(seed, replicates)
    assert [trial.position for trial in found] == list(range(1, 8 * replicates + 1))
    for block, members in groupby(found, key=lambda trial: trial.block):
        listed = list(members)
        assert sorted(trial.cell for trial in listed) == list(range(1, 9))
        assert {trial.replicate for trial in listed} == {block}
        assert {trial.role for trial in listed} == {"measure"}


@given(seed=st.integers(0, 10**18 - 1))
@settings(max_examples=50)
def test_within_a_block_a_costly_level_is_applied_once(seed: int) -> None:
    found = plan(FACTORS)
    mtu = {cell.number: cell.levels["mtu"] for cell in cells(found)}
    plots = [
        (plot, {(trial.block, mtu[trial.cell]) for trial in members})
        for plot, members in groupby(trials(seed), key=lambda trial: trial.whole_plot)
    ]
    assert [plot for plot, _ in plots] == list(range(1, 11))
    assert all(len(levels) == 1 for _, levels in plots)


def test_without_costly_settings_a_block_is_one_whole_plot() -> None:
    found = plan(
        "factors: {direction: [transmit, receive], clock: {setting: governor, levels: [powersave, performance]}}\n"
    )
    assert Counter(trial.whole_plot for trial in schedule(found, cells(found))) == Counter(
        dict.fromkeys(range(1, 6), 4)
    )


def test_without_shuffling_the_order_is_the_plan_s() -> None:
    assert [trial.cell for trial in trials(shuffle="false", replicates=2)] == [*range(1, 9), *range(1, 9)]


def test_more_replicates_leave_the_first_ones_where_they_were() -> None:
    found = plan(FACTORS)
    assert schedule(found, cells(found), replicates=9)[:40] == schedule(found, cells(found))


def test_a_different_seed_gives_a_different_order() -> None:
    assert len({tuple(trial.cell for trial in trials(seed)) for seed in range(20)}) == 20


@pytest.mark.parametrize("bound", [1, 2, 3, 7, 64, 1000])
def test_drawn_numbers_lie_below_their_bound_and_reach_all_of_it(bound: int) -> None:
    chance = SplitMix(1)
    drawn = [chance.below(bound) for _ in range(20 * bound)]
    assert set(drawn) <= set(range(bound))
    assert len(set(drawn)) == bound


class Scripted(SplitMix):
    """Draws what it is told to."""

    def __init__(self, *numbers: int) -> None:
        """`numbers` in the order in which they are drawn."""
        super().__init__(0)
        self.numbers = list(numbers)

    def next(self) -> int:
        """The next of them."""
        return self.numbers.pop(0)


def test_a_number_that_would_favour_the_small_ones_is_drawn_again() -> None:
    """2**64 is 1 more than a multiple of 3: its last number would make 0 more likely than 1 and 2."""
    assert Scripted(2**64 - 1, 5).below(3) == 2
    assert Scripted(2**64 - 2).below(3) == 2


def test_every_cell_comes_first_about_equally_often() -> None:
    """Chi-squared over 4,000 seeds: below the 0.999 quantile for 3 degrees of freedom, 16.27 (from tables)."""
    firsts = Counter()  # type: Counter[int]
    for seed in range(4_000):
        items = [0, 1, 2, 3]
        SplitMix(seed).shuffle(items)
        firsts[items[0]] += 1
    assert sum((firsts[item] - 1000) ** 2 / 1000 for item in range(4)) < 16.27


MANY = "factors: {mtu: [1500, 9000], direction: [transmit, receive, bidirectional], streams: [1, 4]}\n"


def test_each_block_of_a_large_plan_opens_with_an_extra_trial_of_the_first_cell() -> None:
    found = plan(MANY)
    made = schedule(found, cells(found))
    assert len(made) == 5 * (12 + 1)
    assert [trial.position for trial in made] == list(range(1, len(made) + 1))
    for block, members in groupby(made, key=lambda trial: trial.block):
        first, *rest = members
        assert (first.role, first.cell, first.block) == ("control", 1, block)
        assert sorted(trial.cell for trial in rest) == list(range(1, 13))
        assert {trial.role for trial in rest} == {"measure"}
        assert first.whole_plot not in {trial.whole_plot for trial in rest}


def test_the_control_trial_leaves_the_order_of_the_others_as_it_was() -> None:
    with_control, without = plan(MANY), plan(MANY + "order: {control: false}\n")
    assert [trial.cell for trial in schedule(with_control, cells(with_control)) if trial.role == "measure"] == [
        trial.cell for trial in schedule(without, cells(without))
    ]


@pytest.mark.parametrize(
    ("rest", "controls"),
    [
        (MANY, 5),
        (MANY + "trial: {replicates: 4}\n", 0),
        (FACTORS, 0),
        (FACTORS + "order: {control: true}\n", 5),
        (MANY + "order: {control: false}\n", 0),
    ],
)
def test_control_trials_are_there_where_they_cost_a_tenth_and_can_show_a_trend_or_where_asked_for(
    rest: str, controls: int
) -> None:
    found = plan(rest)
    assert sum(trial.role == "control" for trial in schedule(found, cells(found))) == controls
