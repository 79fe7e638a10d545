"""A suite's combined page: every run with its answer, what holds it back, and the way to its own report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator import __version__
from orchestrator.faults import PlanError
from orchestrator.report import read_report
from orchestrator.report.html import answer_list, document
from orchestrator.report.limits import groups, short
from orchestrator.report.markup import Markup, joined, tag
from orchestrator.report.model import CellResult, Report
from orchestrator.report.page_run import plain_table
from orchestrator.report.wording import count_text, listed, rate_text, share_text
from orchestrator.results.folder import RunFolder
from orchestrator.results.write import write_whole

SUITE = "suite.json"
PAGE = "suite.html"
GREATEST_RUNS = 500


@dataclass(frozen=True)
class SuiteRun:
    """One run of a suite; `report` is None when the run ended before it measured anything."""

    plan: str
    folder: str
    exit: str
    report: Report | None


def is_suite(folder: str | Path) -> bool:
    """Whether a suite's runs lie in this folder."""
    return RunFolder(Path(folder)).has(SUITE)


def write_suite(folder: str | Path) -> Path:
    """Write suite.html beside the runs; its path. PlanError when there is no readable suite."""
    place = RunFolder(Path(folder))
    suite = place.json(SUITE)
    if not isinstance(suite, dict) or suite.get("schema") != 1 or not isinstance(suite.get("runs"), list):
        raise PlanError("suite_broken", f"{place.path / SUITE} is no suite of this linktrial", path=str(place.path))
    runs = [_run(place.path, entry) for entry in suite["runs"][:GREATEST_RUNS] if isinstance(entry, dict)]
    write_whole(place.path / PAGE, page(str(suite.get("suite", "suite")), runs))
    return place.path / PAGE


def _run(folder: Path, entry: dict[str, Any]) -> SuiteRun:
    # Only a folder's own name is followed: a suite.json from elsewhere must not lead out of its folder.
    name = Path(str(entry.get("run", ""))).name
    try:
        report = read_report(folder / name) if name else None
    except PlanError:
        report = None
    return SuiteRun(str(entry.get("plan", "")), name, str(entry.get("exit", "")), report)


def page(name: str, runs: list[SuiteRun]) -> str:
    """The whole page."""
    sections = [("answer", "Answer", answer_list(_answer(runs))), ("matrix", "Runs", _table(runs)),
                *((f"run-{number}", run.plan, _one(run)) for number, run in enumerate(runs, 1) if run.report)]
    return document(name, [], sections, f"written by linktrial {__version__}")


def _answer(runs: list[SuiteRun]) -> list[str]:
    out = []
    for run in runs:
        best = _best(run.report)
        said = f"up to {rate_text(best.mean_bit_s or 0.0)} from {best.sender} to {best.receiver}" if best else \
            "nothing was measured"
        out.append(f"{run.plan}: {said}.")
    return out


def _best(report: Report | None) -> CellResult | None:
    return max(report.measured, key=lambda cell: cell.mean_bit_s or 0.0, default=None) if report else None


def _table(runs: list[SuiteRun]) -> Markup:
    rows = [(_link(run), *_summary(run), run.exit) for run in runs]
    return plain_table("The runs of this suite, in their order", (
        "plan", "cells", "valid trials", "best goodput", "of the ceiling", "held back most often by", "exit"), rows,
        "words")


def _link(run: SuiteRun) -> Markup:
    return tag("a", run.plan, href=f"{run.folder}/report.html") if run.report else tag("span", run.plan)


def _summary(run: SuiteRun) -> tuple[str, str, str, str, str]:
    if run.report is None:
        return ("", "", "", "", "")
    report = run.report
    best = _best(report)
    trials = report.data.trials
    valid = int(trials.loc[trials["status"] == "valid", "trial"].nunique())
    limits = groups(report)
    return (str(len({cell.number for cell in report.cells})), f"{valid} of {int(trials['trial'].nunique())}",
            rate_text(best.mean_bit_s or 0.0) if best else "",
            share_text(best.fill) if best and best.fill is not None else "",
            short(limits[0].example) if limits else "")


def _one(run: SuiteRun) -> Markup:
    report = run.report
    if report is None:
        return Markup("")
    varied = [factor.name for factor in report.factors if factor.varies]
    about = f"{count_text(len(report.cells), 'figure')}" + (f", varying {listed(varied)}." if varied else ".")
    return joined([tag("p", about, " ", tag("a", "Its report", href=f"{run.folder}/report.html"), class_="note"),
                   answer_list(report.sentences)])
