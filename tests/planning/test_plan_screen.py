"""`screen: true`: a balanced fraction of the combinations, with what it cannot tell apart said beforehand."""

from __future__ import annotations

import itertools

import pytest

from orchestrator.planning import cells, schedule
from orchestrator.planning.fraction import fraction, made_again
from orchestrator.planning.outline import outline, render
from orchestrator.planning.screening import screen_as_dict, screen_of
from tests.planning.planning_fakes import CATALOGUE, plan, problem

SIX = (
    "factors:\n  mtu: [1500, 9000]\n  governor: {at: dome, levels: [powersave, performance]}\n  streams: [1, 4]\n"
    "  ip: [4, 6]\n  direction: [transmit, receive]\n  congestion: [cubic, reno]\n"
)
FOUR = "factors:\n  mtu: [1500, 9000]\n  streams: [1, 4]\n  ip: [4, 6]\n  direction: [transmit, receive]\n"


def test_the_cells_of_a_screen_are_its_fraction() -> None:
    found = cells(plan(SIX + "screen: true\n"))
    assert len(found) == 16  # 2^(6-2) of resolution IV, e-Handbook 5.3.3.4.7
    assert len(cells(plan(SIX))) == 64
    assert len({cell.key for cell in found}) == 16


def test_each_level_stands_with_each_level_of_every_other_factor_equally_often() -> None:
    found = cells(plan(SIX + "screen: true\n"))
    for one, other in itertools.combinations(found[0].levels, 2):
        pairs = [(cell.levels[one], cell.levels[other]) for cell in found]
        assert {pairs.count(pair) for pair in pairs} == {4}
        assert len(set(pairs)) == 4


def test_a_factor_of_one_level_is_held_and_each_link_has_its_own_fraction() -> None:
    made = plan(FOUR + "  transport: [tcp]\nscreen: true\n")
    assert {cell.levels["transport"] for cell in cells(made)} == {"tcp"}
    assert len(cells(made)) == 8
    assert len(schedule(made, cells(made))) == 8 * 5


def test_check_says_which_pairs_cannot_be_told_apart_before_anything_is_measured() -> None:
    text = render(outline(plan(FOUR + "screen: true\n"), CATALOGUE))
    assert "8 of the 16 combinations of 4 factors; resolution IV" in text
    assert "mtu with streams = ip with direction cannot be told apart" in text  # I = ABCD, so AB = CD


def test_a_run_keeps_what_it_takes_to_read_its_screen() -> None:
    made = plan(FOUR + "screen: true\n")
    kept = screen_as_dict(made)
    assert kept is not None
    assert kept["levels"]["mtu"] == [1500, 9000]
    assert made_again(kept) == screen_of(made)
    assert screen_as_dict(plan(FOUR)) is None


@pytest.mark.parametrize("count", range(2, 16))
def test_a_design_is_made_again_from_what_is_kept_of_it(count: int) -> None:
    design = fraction([f"f{number}" for number in range(count)])
    assert made_again(design.as_dict()) == design


@pytest.mark.parametrize(
    ("rest", "where"),
    [
        (FOUR.replace("[1, 4]", "[1, 4, 8]"), "streams:"),
        (FOUR + "  transport: [tcp, udp]\n  intended_load: [50%, 95%]\n", "intended_load:"),
        (FOUR + "leave_out: [{mtu: 9000, streams: 4}]\n", "leave_out:"),
        (FOUR + "trial: {precision: 2%, replicates: {min: 5, max: 20}}\n", "precision:"),
        (FOUR + "budget: 30min\n", "budget:"),
        ("factors: {mtu: [1500, 9000], streams: [1, 4], ip: [4, 6]}\n", "screen:"),
        ("", "screen:"),
    ],
)
def test_what_a_fraction_could_not_answer_is_refused_where_it_stands(rest: str, where: str) -> None:
    found = problem(rest + "screen: true\n")
    assert found.code == "clash"
    assert found.source[found.column - 1 :].startswith(where[:-1])
    assert "screen" in found.message
