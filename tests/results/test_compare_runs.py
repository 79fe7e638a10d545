"""Runs against runs: matching, refusing, the unit, what is said of the environment, and the stored references."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from orchestrator.faults import PlanError
from orchestrator.results.comparison import references
from orchestrator.results.comparison.compare import CellComparison, Comparison, compare
from orchestrator.results.comparison.environment import Unlike, conditions, differences, plan_lines
from orchestrator.results.comparison.run_summary import (
    CellKey,
    CellValues,
    RunSummary,
    summarise_run,
    summary_from_dict,
)
from orchestrator.results.read_run import read_run
from tests.results.synthetic import Scenario, make_run


def made(
    run_id: str,
    cells: dict[str, tuple[float, ...]],
    *,
    environment: dict[str, str] | None = None,
    conditions: dict[str, str] | None = None,
    statuses: dict[str, int] | None = None,
    plan: str = "",
    link: str = "uplink",
) -> RunSummary:
    """A run with goodputs by mtu."""
    return RunSummary(
        run_id,
        "",
        0.03,
        environment or {},
        conditions or {},
        plan,
        tuple(
            CellValues(
                CellKey(link, "transmit", (("mtu", mtu),)),
                statuses or {"valid": len(values)},
                {"goodput": values} if values else {},
            )
            for mtu, values in cells.items()
        ),
    )


STEADY = (1e9, 1.001e9, 0.999e9, 1.0005e9, 0.9995e9)


def _only(found: Comparison) -> CellComparison:
    (cell,) = found.cells
    return cell


def _scaled(factor: float) -> tuple[float, ...]:
    return tuple(factor * value for value in STEADY)


def test_one_run_a_side_compares_replicates_and_says_what_is_unknown() -> None:
    found = compare([made("a", {"9000": STEADY})], [made("b", {"9000": _scaled(0.9)})])
    assert found.unit == "replicate"
    assert _only(found).word == "worse"
    assert _only(found).sizes == (5, 5)
    assert "unknown: another run may not agree" in found.notes[0]
    verdict = _only(found).contrast
    assert verdict is not None
    assert verdict.ratio == pytest.approx(0.9, rel=1e-6)


def test_with_several_runs_the_run_is_the_unit() -> None:
    """Runs that scatter by 5 % hide a change of 5 % that each single run would call certain."""
    reference = [made(f"r{n}", {"9000": _scaled(factor)}) for n, factor in enumerate((0.95, 1.0, 1.05))]
    candidate = [made(f"c{n}", {"9000": _scaled(0.95 * factor)}) for n, factor in enumerate((0.95, 1.0, 1.05))]
    found = compare(reference, candidate)
    assert found.unit == "run"
    assert _only(found).sizes == (3, 3)
    assert _only(found).word == "inconclusive"
    assert compare(reference[:1], candidate[:1]).cells[0].word == "worse"


def test_one_run_against_several_takes_their_spread() -> None:
    reference = [made(f"r{n}", {"9000": _scaled(factor)}) for n, factor in enumerate((0.99, 1.0, 1.01, 1.0))]
    found = compare(reference, [made("c", {"9000": _scaled(0.8)})])
    assert _only(found).sizes == (4, 1)
    assert _only(found).word == "worse"
    assert "One side is one run" in found.notes[0]


def test_the_spread_of_stored_runs_stands_for_one_run_a_side() -> None:
    history = [made(f"h{n}", {"9000": _scaled(factor)}) for n, factor in enumerate((0.95, 1.0, 1.05, 0.97))]
    ours, theirs = [made("a", {"9000": STEADY})], [made("b", {"9000": _scaled(0.95)})]
    assert _only(compare(ours, theirs)).word == "worse"
    found = compare(ours, theirs, spread_from=history)
    assert _only(found).word == "inconclusive"
    assert _only(found).sizes == (1, 1)
    assert found.notes == ("Each side is one run; how far runs differ is taken from 4 stored runs.",)
    logs = [math.log(np.exp(np.mean(np.log(_scaled(factor))))) for factor in (0.95, 1.0, 1.05, 0.97)]
    verdict = _only(found).contrast
    assert verdict is not None
    half = np.std(logs, ddof=1) * math.sqrt(2) * 3.182446  # t table, 3 degrees of freedom
    assert math.log(verdict.high / verdict.low) / 2 == pytest.approx(half, rel=1e-6)


def test_values_of_stored_runs_spread_are_runs_and_more_of_them_would_tell() -> None:
    history = [made(f"h{n}", {"9000": _scaled(factor)}) for n, factor in enumerate((0.95, 1.0, 1.05, 0.97))]
    found = compare([made("a", {"9000": STEADY})], [made("b", {"9000": _scaled(0.95)})], spread_from=history)
    assert (found.unit, _only(found).unit) == ("run", "run")


def test_stored_runs_that_do_not_say_how_far_a_cell_s_runs_differ_are_not_claimed_to() -> None:
    """One stored run, or one without this cell, has no spread: the verdict rests on replicates, and says so."""
    ours, theirs = made("a", {"1500": STEADY, "9000": STEADY}), made("b", {"1500": STEADY, "9000": _scaled(0.9)})
    alone = compare([ours], [theirs], spread_from=[made("h", {"1500": STEADY, "9000": STEADY})])
    assert "taken from" not in " ".join(alone.notes)
    assert "unknown: another run may not agree" in alone.notes[0]
    assert "a spread needs two" in alone.notes[1]
    partly = compare([ours], [theirs], spread_from=[made("h1", {"1500": STEADY}), made("h2", {"1500": _scaled(1.01)})])
    assert {cell.key.levels[0][1]: cell.unit for cell in partly.cells} == {"1500": "run", "9000": "replicate"}
    assert "taken from 2 stored runs in 1 of 2 cells" in partly.notes[0]
    assert "unknown in the other" in partly.notes[0]


def test_stored_runs_that_measured_something_else_are_named() -> None:
    history = [
        made(f"h{n}", {"9000": _scaled(factor)}, conditions={"length of a trial in s": "1"})
        for n, factor in enumerate((0.95, 1.0))
    ]
    sides = ([made(name, {"9000": STEADY}, conditions={"length of a trial in s": "10"})] for name in "ab")
    found = compare(*sides, spread_from=history)
    assert "The stored runs did not measure the same thing: length of a trial in s." in found.notes


def test_a_spread_that_is_not_used_is_said_not_to_be() -> None:
    history = [made(f"h{n}", {"9000": _scaled(factor)}) for n, factor in enumerate((0.95, 1.0))]
    found = compare(
        [made("a", {"9000": STEADY}), made("b", {"9000": _scaled(1.01)})],
        [made("c", {"9000": STEADY})],
        spread_from=history,
    )
    assert any("stored runs are not used" in note for note in found.notes)


def test_a_later_run_of_a_side_that_measured_something_else_is_refused_too() -> None:
    long, short = ({"length of a trial in s": seconds} for seconds in ("10", "2"))
    reference = [made("r1", {"9000": STEADY}, conditions=long), made("r2", {"9000": STEADY}, conditions=short)]
    candidate = [made("c1", {"9000": STEADY}, conditions=long), made("c2", {"9000": STEADY}, conditions=long)]
    for sides in ((reference, candidate), (candidate, reference)):
        with pytest.raises(PlanError, match="length of a trial in s") as caught:
            compare(*sides)
        assert caught.value.code == "not_alike"
    (unlike,) = compare(candidate, reference, anyway=True).unlike
    assert unlike == Unlike("length of a trial in s", "10", "10 or 2")


def test_every_kernel_of_a_side_is_told_not_the_first_run_s_alone() -> None:
    reference = [made(f"r{n}", {"9000": STEADY}, environment={"dome: kernel": "6.1"}) for n in range(2)]
    candidate = [
        made(f"c{n}", {"9000": STEADY}, environment={"dome: kernel": kernel})
        for n, kernel in enumerate(("6.1", "6.12"))
    ]
    assert compare(reference, candidate).environment == (Unlike("dome: kernel", "6.1", "6.1 or 6.12"),)


def test_cells_are_matched_by_their_levels_not_by_number_or_order() -> None:
    reference = made("a", {"1500": STEADY, "9000": _scaled(2)})
    candidate = made("b", {"9000": _scaled(2), "1500": STEADY, "4000": STEADY})
    found = compare([reference], [candidate])
    assert {cell.key.levels[0][1]: cell.word for cell in found.cells} == {"1500": "no change", "9000": "no change"}
    assert [key.levels for key in found.only_candidate] == [(("mtu", "4000"),)]
    assert found.only_reference == ()


def test_a_factor_that_does_not_apply_is_no_difference() -> None:
    bare = made("a", {"9000": STEADY})
    key = CellKey("uplink", "transmit", (("intended_load", ""), ("mtu", "9000")))
    padded = replace(bare, run_id="b", cells=(replace(bare.cells[0], key=key),))
    assert len(compare([bare], [padded]).cells) == 1


def test_the_only_links_are_compared_whatever_they_are_called() -> None:
    found = compare([made("a", {"9000": STEADY})], [made("b", {"9000": STEADY}, link="cable")])
    assert len(found.cells) == 1
    assert "The link cable of the candidate is compared with uplink." in found.notes


def test_no_common_cell_is_refused() -> None:
    with pytest.raises(PlanError, match="no cell in common"):
        compare([made("a", {"1500": STEADY})], [made("b", {"9000": STEADY})])


def test_what_did_not_measure_the_same_thing_is_refused_unless_told() -> None:
    short = {"length of a trial in s": "2", "factors": "mtu"}
    long = {"length of a trial in s": "10", "factors": "mtu"}
    ours, theirs = made("a", {"9000": STEADY}, conditions=long), made("b", {"9000": STEADY}, conditions=short)
    with pytest.raises(PlanError, match="length of a trial in s is 10 and 2") as caught:
        compare([ours], [theirs])
    assert caught.value.code == "not_alike"
    assert compare([ours], [theirs], anyway=True).unlike == (Unlike("length of a trial in s", "10", "2"),)


def test_a_run_is_not_compared_with_itself() -> None:
    with pytest.raises(PlanError, match="given twice"):
        compare([made("a", {"9000": STEADY})], [made("a", {"9000": STEADY})])
    with pytest.raises(PlanError, match="at least one run"):
        compare([], [made("a", {"9000": STEADY})])


def test_what_was_carried_and_is_impossible_now_is_worse() -> None:
    could, cannot = made("a", {"9000": STEADY}), made("b", {"9000": ()}, statuses={"impossible": 5})
    assert (_only(compare([could], [cannot])).word, _only(compare([cannot], [could])).word) == ("worse", "better")
    assert _only(compare([could], [cannot])).reason == "was measured, and is impossible now"


def test_what_failed_or_was_suspect_cannot_tell() -> None:
    for status in ("failed", "suspect", "skipped"):
        cell = _only(compare([made("a", {"9000": STEADY})], [made("b", {"9000": ()}, statuses={status: 5})]))
        assert (cell.word, cell.reason) == (
            "inconclusive",
            f"trials of the reference: 5 valid; of the candidate: 5 {status}",
        )


def test_a_zero_is_not_left_out() -> None:
    cell = _only(compare([made("a", {"9000": STEADY})], [made("b", {"9000": (0.0, *STEADY)})]))
    assert cell.word == "inconclusive"
    assert "goodput of zero has no ratio" in cell.reason


def test_one_value_a_side_shows_no_spread() -> None:
    cell = _only(compare([made("a", {"9000": (1e9,)})], [made("b", {"9000": (5e8,)})]))
    assert (cell.word, cell.reason) == ("inconclusive", "one value a side shows no spread")


def test_a_difference_carried_by_one_outlier_is_marked() -> None:
    # every value but one is the same: Welch with these finds nothing, so make the test see what ranks do not
    base = made("a", {"9000": STEADY})
    cell = _only(compare([base], [made("b", {"9000": _scaled(0.9)})]))
    assert not cell.carried_by_an_outlier
    assert replace(cell, rank_p_value=0.3).carried_by_an_outlier
    assert not replace(cell, rank_p_value=0.3, word="no change").carried_by_an_outlier


def test_the_environment_is_compared_first_and_the_plan_line_by_line() -> None:
    ours = made("a", {"9000": STEADY}, environment={"dome: kernel": "6.1", "dome: cores": "4"}, plan="a: 1\nb: 2\n")
    theirs = made("b", {"9000": STEADY}, environment={"dome: kernel": "6.12", "dome: cores": "4"}, plan="a: 1\nb: 3\n")
    assert compare([ours], [theirs]).environment == (
        Unlike("dome: kernel", "6.1", "6.12"),
        Unlike("plan, line 2", "b: 2", "b: 3"),
    )
    third = replace(theirs, run_id="c", environment={"dome: kernel": "6.13", "dome: cores": "4"})
    assert any(
        "The runs of the candidate are not alike among themselves: dome: kernel" in note
        for note in compare([ours], [theirs, third]).notes
    )


def test_added_and_removed_lines_stand_against_nothing() -> None:
    assert plan_lines("a\nb\n", "a\n") == [Unlike("plan, line 2", "b", "")]
    assert plan_lines("a\n", "x\na\n") == [Unlike("plan, line 1", "", "x")]
    assert differences({"x": "1"}, {"y": "2"}) == [Unlike("x", "1", ""), Unlike("y", "", "2")]


def test_a_bundle_of_the_same_name_that_holds_other_settings_is_not_alike() -> None:
    run = {"trial": {"length_s": 10, "warmup_s": 2}, "cells": [{"key": "tuning=spread", "settings": [["ring", 4096]]}]}
    other = {**run, "cells": [{"key": "tuning=spread", "settings": [["ring", 256]]}]}
    assert [one.what for one in differences(conditions(run, ["tuning"]), conditions(other, ["tuning"]))] == [
        "cell tuning=spread"
    ]


def test_the_threshold_is_the_plans_unless_given() -> None:
    ours, theirs = [made("a", {"9000": STEADY})], [made("b", {"9000": _scaled(0.98)})]
    assert compare(ours, theirs).threshold_ratio == 0.03
    assert _only(compare(ours, theirs)).word == "no change"
    assert _only(compare(ours, theirs, threshold_ratio=0.01)).word == "worse"


def test_a_runs_folder_becomes_its_summary_and_comes_back_from_storage(tmp_path: Path) -> None:
    data = read_run(make_run(tmp_path, Scenario(series=False)))
    summary = summarise_run(data)
    assert summary.run_id == data.run["run_id"]
    assert summary.environment["dome: kernel"] == "6.1.0-18-arm64"
    driver = data.run["hosts"]["hall"]["facts"]["interfaces"][0]["driver"]
    assert summary.environment["uplink, hall: driver"] == driver
    assert summary.conditions["factors"] == "clock, direction, mtu, transport"
    valid = data.trials[data.trials["status"] == "valid"]
    assert sum(len(cell.values.get("goodput", ())) for cell in summary.cells) == len(valid)
    assert summary_from_dict(json.loads(json.dumps(summary.as_dict()))) == summary


def test_trials_of_one_whole_plot_are_one_value(tmp_path: Path) -> None:
    data = read_run(make_run(tmp_path, Scenario(series=False, trouble=False)))
    data.trials["whole_plot"] = 1
    assert all(len(cell.values["goodput"]) == 1 for cell in summarise_run(data).cells)


def test_references_are_kept_and_grow(tmp_path: Path) -> None:
    first, second = made("a", {"9000": STEADY}), made("b", {"9000": _scaled(1.01)})
    path, count = references.keep("board-a", [first], tmp_path)
    assert (path, count) == (tmp_path / "board-a.json", 1)
    assert references.keep("board-a", [first, second], tmp_path)[1] == 2
    assert references.load("board-a", tmp_path) == [first, second]
    assert references.known(tmp_path) == ["board-a"]


@pytest.mark.parametrize("name", ["../x", "", "a/b", ".hidden", "x" * 101, "a b", "a\n"])
def test_a_reference_cannot_be_named_out_of_its_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlanError, match="cannot name a reference"):
        references.keep(name, [], tmp_path)


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("", "reference_broken"),
        ("[1]", "reference_broken"),
        ('{"schema": 3, "runs": []}', "reference_schema"),
        ('{"schema": 1, "runs": [{"run_id": "a"}]}', "reference_broken"),
        ("[" * 100_000, "reference_broken"),
        ('{"schema": 1, "runs": [7]}', "reference_broken"),
    ],
)
def test_a_broken_reference_is_refused(tmp_path: Path, content: str, code: str) -> None:
    (tmp_path / "x.json").write_text(content)
    with pytest.raises(PlanError) as caught:
        references.load("x", tmp_path)
    assert caught.value.code == code


def test_a_reference_that_is_not_there_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no reference 'x'") as caught:
        references.load("x", tmp_path)
    assert caught.value.next_step == "linktrial compare RUN... --keep x"
