"""A suite's page: every run with its answer, a run that measured nothing too."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from orchestrator.cli.report import command
from orchestrator.faults import PlanError
from orchestrator.report.suite import write_suite
from tests.report.page_tree import parse
from tests.results.synthetic import Scenario, make_run


@pytest.fixture
def suite(tmp_path: Path) -> Path:
    made = [
        make_run(
            tmp_path,
            Scenario({"mtu": [1500, 9000], "direction": ["transmit"]}, replicates=2, plan=plan, run_id=f"{plan}-1"),
        )
        for plan in ("frames", "clocks")
    ]
    entries = [{"plan": run.name[:-2], "run": run.name, "exit": 0} for run in made]
    entries += [{"plan": "refused", "run": "refused-1", "exit": 3}, {"plan": "far", "run": "../../etc", "exit": 0}]
    (tmp_path / "suite.json").write_text(json.dumps({"schema": 1, "suite": "night", "runs": entries}))
    return tmp_path


def test_every_run_has_its_answer_and_its_link(suite: Path) -> None:
    done = CliRunner(catch_exceptions=False).invoke(command, [str(suite)], standalone_mode=False)
    tree = parse((suite / "suite.html").read_text())
    answer = tree.all("ol")[0].text().replace("\u202f", " ")

    assert done.return_value == 0
    assert "frames: up to 2.4" in answer
    assert "refused: nothing was measured." in answer
    links = {link.attributes["href"] for link in tree.all("a") if not link.attributes["href"].startswith("#")}
    assert links == {"frames-1/report.html", "clocks-1/report.html"}


def test_a_suite_does_not_lead_out_of_its_folder(suite: Path) -> None:
    assert "etc" not in write_suite(suite).read_text()


@pytest.mark.parametrize("content", ["[]", "{}", '{"schema": 2, "runs": []}', '{"schema": 1}', "{"])
def test_a_broken_suite_is_named(suite: Path, content: str) -> None:
    (suite / "suite.json").write_text(content)

    with pytest.raises(PlanError, match=r"suite\.json"):
        write_suite(suite)
