"""A comparison as a page: the answer first, the differences, every cell with its interval and its verdict in words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from click.testing import CliRunner

from orchestrator.cli.compare import command
from orchestrator.report.page.comparison import page
from orchestrator.results.comparison.compare import compare
from orchestrator.results.comparison.run_summary import summarise_run
from orchestrator.results.read_run import read_run
from tests.report.page_tree import parse
from tests.results.synthetic import Scenario, make_run

FACTORS = {"mtu": [1500, 9000], "clock": ["powersave", "performance"], "direction": ["transmit", "receive"]}
HOSTILE = "</script><b onclick=x>\x1b[2J"


def runs(place: Path) -> list[Path]:
    return [make_run(place, Scenario(FACTORS, seed=seed, run_id=f"run-{seed}", trouble=False)) for seed in (1, 2)]


def test_two_runs_alike_make_a_page_that_says_so(tmp_path: Path) -> None:
    reference, candidate = runs(tmp_path)
    target = tmp_path / "comparison.html"
    done = CliRunner(catch_exceptions=False).invoke(
        command, [str(reference), "--with", str(candidate), "--html", str(target)], standalone_mode=False
    )
    tree = parse(target.read_text())
    cells = next(table for table in tree.all("table") if "Change of goodput" in table.text())

    assert done.return_value == 0
    assert [heading.text() for heading in tree.all("h2")][:3] == [
        "Answer",
        "What is not the same on both sides",
        "Each cell",
    ]
    assert len(cells.all("tbody")[0].all("tr")) == 8
    assert "no change" in cells.text()
    assert all(row.all("svg") for row in cells.all("tbody")[0].all("tr"))
    assert "two one-sided tests" in tree.text()


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    reference, candidate = (summarise_run(read_run(run)) for run in runs(tmp_path))
    found = compare([reference], [candidate])
    cells = tuple(replace(cell, key=replace(cell.key, levels=((HOSTILE, HOSTILE),))) for cell in found.cells)
    text = page(replace(found, cells=cells, reference=(HOSTILE,), notes=(HOSTILE,), only_candidate=(cells[0].key,)))
    tree = parse(text)

    assert len(tree.all("script")) == 1
    assert not tree.all("main")[0].all("b") or all("onclick" not in one.attributes for one in tree.all("b"))
    assert "\x1b" not in text
    assert "<b onclick=x>" in tree.all("h1")[0].text()
