"""`linktrial compare` as a user calls it: sides, exit codes, files, references."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner, Result

from orchestrator.cli.compare import _MEASURES, command
from orchestrator.cli.if_changed import Again, verdict
from orchestrator.cli.plans import LoadedPlan
from orchestrator.faults import PlanError
from orchestrator.results.comparison.run_summary import MEASURES
from orchestrator.results.write import restore_text
from orchestrator.words.exit_codes import Exit
from tests.results.synthetic import Scenario, make_run


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """Two reference runs and two candidates of a made-up board; the candidates' jumbo frames carry a tenth less."""
    for number in (1, 2):
        for name, seed in (("old", number), ("new", 10 + number)):
            folder = make_run(
                tmp_path,
                Scenario(
                    series=False,
                    seed=seed,
                    run_id=f"{name}{number}",
                    trouble=False,
                    factors={"mtu": [1500, 9000], "direction": ["transmit", "receive"]},
                ),
            )
            if name == "new":
                _change_jumbo(folder, goodput_bit_s=lambda text: str(float(text) * 0.9))
    return tmp_path


def _change_jumbo(run: Path, **changes: Callable[[str], str]) -> None:
    """Change these columns of every trial with jumbo frames."""
    trials = run / "trials.csv"
    header, *lines = (line.split(",") for line in trials.read_text().splitlines())
    for fields in lines:
        if restore_text(fields[header.index("mtu")]) == "9000":
            for column, change in changes.items():
                fields[header.index(column)] = change(fields[header.index(column)])
    trials.write_text("".join(",".join(fields) + "\n" for fields in [header, *lines]))


def _call(*arguments: object) -> tuple[int, Result]:
    """(what the command returns to main, its output)."""
    runner = CliRunner()
    result = runner.invoke(command, [str(one) for one in arguments], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return int(result.return_value), result


def test_worse_beyond_the_threshold_is_exit_1(runs: Path) -> None:
    code, result = _call(runs / "old1", runs / "old2", "--with", runs / "new1", runs / "new2")
    assert code == 1
    assert "goodput of 2 runs against 2 runs, 4 cells: 2 worse and 2 no change." in result.output


def test_a_run_that_is_alike_is_exit_0(runs: Path) -> None:
    code, result = _call(runs / "old1", "--with", runs / "old2")
    assert code == 0
    assert "no change in all 4 cells." in result.output
    assert "another run may not agree" in result.output


@pytest.mark.parametrize(
    ("fail_on", "code"), [("worse", 1), ("inconclusive", 0), ("better", 0), ("inconclusive,worse", 1), ("", 0)]
)
def test_the_exit_code_follows_fail_on(runs: Path, fail_on: str, code: int) -> None:
    assert _call(runs / "old1", "--with", runs / "new1", "--fail-on", fail_on)[0] == code


@pytest.mark.parametrize(("fail_on", "code"), [((), 1), (("--fail-on", "worse"), 0), (("--fail-on", "lost"), 1)])
def test_a_cell_that_the_candidate_cannot_measure_any_more_is_exit_1(
    runs: Path, fail_on: tuple[str, ...], code: int
) -> None:
    """A kernel under which every trial of a cell fails is no harmless `inconclusive` to a build script."""
    _change_jumbo(runs / "old2", status=lambda _: "failed", goodput_bit_s=lambda _: "")
    found, result = _call(runs / "old1", "--with", runs / "old2", *fail_on, "--junit", runs / "j.xml")
    assert found == code
    assert "The candidate has no valid trial of 2 cells" in result.output
    failures = ET.parse(runs / "j.xml").getroot().get("failures")  # noqa: S314 - written by ourselves
    assert failures == str(2 * code)


def test_a_plan_that_was_run_again_ends_with_1_when_a_cell_is_worse_or_lost(runs: Path) -> None:
    plan: Any = SimpleNamespace(plan="frames")
    again = Again(LoadedPlan(Path("frames.yaml"), "", plan, {}), (runs / "old1",))
    assert verdict(again, Exit.COMPLETE, runs / "old2") == Exit.COMPLETE
    assert verdict(again, Exit.COMPLETE, runs / "new1") == Exit.SOME_NOT_VALID
    assert verdict(again, Exit.STOPPED_EARLY, runs / "old2") == Exit.STOPPED_EARLY
    _change_jumbo(runs / "old2", status=lambda _: "failed", goodput_bit_s=lambda _: "")
    assert verdict(again, Exit.SOME_NOT_VALID, runs / "old2") == Exit.SOME_NOT_VALID


def test_better_fails_only_when_asked(runs: Path) -> None:
    assert _call(runs / "new1", "--with", runs / "old1")[0] == 0
    assert _call(runs / "new1", "--with", runs / "old1", "--fail-on", "better")[0] == 1


def test_files_are_written_beside_the_output(runs: Path, tmp_path: Path) -> None:
    code, result = _call(
        runs / "old1", "--with", runs / "new1", "--json", "--junit", tmp_path / "j.xml", "--markdown", tmp_path / "c.md"
    )
    assert code == 1
    assert json.loads(result.output)["counts"] == {"no change": 2, "worse": 2}
    assert ET.parse(tmp_path / "j.xml").getroot().get("failures") == "2"  # noqa: S314 - written by ourselves
    assert "| verdict |" in (tmp_path / "c.md").read_text()


def test_a_stored_reference_stands_for_its_runs(runs: Path, tmp_path: Path) -> None:
    kept = ("--references", tmp_path / "kept")
    assert _call(runs / "old1", runs / "old2", "--keep", "board-a", *kept)[1].output.endswith(": 2 runs\n")
    direct = _call(runs / "old1", runs / "old2", "--with", runs / "new1", runs / "new2", "--json")[1]
    stored = _call(runs / "new1", runs / "new2", "--against", "board-a", "--json", *kept)[1]
    assert json.loads(stored.output) == json.loads(direct.output)
    spread = _call(runs / "old1", "--with", runs / "new1", "--spread-from", "board-a", *kept)[1]
    assert "how far runs differ is taken from 2 stored runs" in spread.output


def test_runs_that_are_not_alike_are_refused_and_compared_when_told(runs: Path) -> None:
    about = json.loads((runs / "new1" / "run.json").read_text())
    about["trial"]["length_s"] = 2.0
    (runs / "new1" / "run.json").write_text(json.dumps(about))
    with pytest.raises(PlanError, match=r"length of a trial in s is 10\.0 and 2\.0"):
        _call(runs / "old1", "--with", runs / "new1")
    code, result = _call(runs / "old1", "--with", runs / "new1", "--anyway")
    assert code == 1
    assert "length of a trial in s: 10.0 in the reference, 2.0 in the candidate" in result.output


@pytest.mark.parametrize(
    "arguments",
    [
        ("old1",),
        ("old1", "--with", "new1", "--against", "x"),
        ("old1", "--with", "new1", "--keep", "x"),
        ("old1", "--with", "nowhere"),
        ("old1", "--against", "nothing"),
    ],
)
def test_a_wrong_command_line_names_the_right_one(runs: Path, arguments: tuple[str, ...]) -> None:
    paths = [runs / one if one[:3] in ("old", "new", "now") else one for one in arguments]
    with pytest.raises(PlanError) as caught:
        _call(*paths, "--references", runs / "kept")
    assert caught.value.next_step or caught.value.code == "usage"


@pytest.mark.parametrize("threshold", ["3", "0%", "100%", "x%", "-3%", "0.03"])
def test_a_threshold_needs_its_unit(runs: Path, threshold: str) -> None:
    with pytest.raises(Exception, match="is no threshold"):
        _call(runs / "old1", "--with", runs / "new1", f"--threshold={threshold}")


def test_a_wide_threshold_makes_the_change_one_that_does_not_matter(runs: Path) -> None:
    assert _call(runs / "old1", "--with", runs / "new1", "--threshold", "20%")[0] == 0


def test_cpu_can_be_compared_and_less_is_better(runs: Path) -> None:
    code, result = _call(runs / "old1", "--with", runs / "new1", "--measure", "sender-cpu")
    assert code == 0
    assert "sender-cpu of 1 run against 1 run" in result.output
    assert set(MEASURES) == set(_MEASURES)
