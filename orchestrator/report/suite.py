"""A suite's combined page: every run with its answer, its bottlenecks, and the way to its own report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from orchestrator import __version__
from orchestrator.faults import PlanError
from orchestrator.report import read_report
from orchestrator.report.limits import groups, short
from orchestrator.report.model import CellResult, Report
from orchestrator.report.page.html import answer_list, document
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import plain_table
from orchestrator.results.suite import Suite, open_suite
from orchestrator.run_files import Folder
from orchestrator.words.figures import count_text, listed, rate_text, share_text

PAGE = "suite.html"
NOTHING = "nothing was measured"


@dataclass(frozen=True)
class SuiteRun:
    """One run of a suite; `report` is None when the run ended before it measured anything."""

    plan: str
    folder: str
    exit: str
    report: Report | None
    has_page: bool = False  # its own report lies beside it


def write_suite(folder: str | Path, out: Path | None = None) -> Path:
    """Write suite.html beside the runs, or into `out`; its path. PlanError when there is no readable suite."""
    suite = open_suite(folder)
    target = Folder(out or suite.path).make()
    target.write(PAGE, page(suite.name, read_runs(suite, target.path)))
    return target.at(PAGE)


def read_runs(suite: Suite, beside: Path | None = None) -> list[SuiteRun]:
    """Every plan with its run's report; `beside`: where the runs' own pages lie, if not in the suite."""
    runs = []
    for entry in suite.entries:
        folder = suite.folder_of(entry)
        try:
            report = read_report(folder) if folder else None
        except PlanError:
            report = None
        ended = (
            "not begun"
            if folder is None and entry.exit is None
            else "not ended"
            if entry.exit is None
            else str(entry.exit)
        )
        has_page = bool(entry.run) and Folder(beside or suite.path).inner(entry.run).has("report.html")
        runs.append(SuiteRun(entry.plan, entry.run, ended, report, has_page))
    return runs


def page(name: str, runs: Sequence[SuiteRun]) -> str:
    """The whole page."""
    sections = [
        ("answer", "Answer", answer_list(_answer(runs))),
        ("matrix", "Runs", _table(runs)),
        *((f"run-{number}", run.plan, _one(run)) for number, run in enumerate(runs, 1) if run.report),
    ]
    return document(name, [], sections, f"written by linktrial {__version__}")


def _answer(runs: Sequence[SuiteRun]) -> list[str]:
    return [f"{run.plan}: {answer_of(run.report)}." for run in runs]


def answer_of(report: Report | None) -> str:
    """A run's answer in a few words."""
    best = _best(report)
    return f"up to {rate_text(best.mean_bit_s or 0.0)} from {best.sender} to {best.receiver}" if best else NOTHING


def _best(report: Report | None) -> CellResult | None:
    return max(report.measured, key=lambda cell: cell.mean_bit_s or 0.0, default=None) if report else None


def _table(runs: Sequence[SuiteRun]) -> Markup:
    rows = [(_link(run), *_summary(run), run.exit) for run in runs]
    return plain_table(
        "The runs of this suite, in their order",
        ("plan", "cells", "valid trials", "best goodput", "of the ceiling", "most frequent bottleneck", "exit"),
        rows,
        "words",
    )


def _link(run: SuiteRun) -> Markup:
    return tag("a", run.plan, href=f"{run.folder}/report.html") if run.has_page else tag("span", run.plan)


def _summary(run: SuiteRun) -> tuple[str, str, str, str, str]:
    if run.report is None:
        return ("", "", "", "", "")
    report = run.report
    best = _best(report)
    trials = report.data.trials
    valid = int(trials.loc[trials["status"] == "valid", "trial"].nunique())
    limits = groups(report)
    return (
        str(len({cell.number for cell in report.cells})),
        f"{valid} of {int(trials['trial'].nunique())}",
        rate_text(best.mean_bit_s or 0.0) if best else "",
        share_text(best.fill) if best and best.fill is not None else "",
        short(limits[0].example) if limits else "",
    )


def _one(run: SuiteRun) -> Markup:
    report = run.report
    if report is None:
        return Markup("")
    varied = [factor.name for factor in report.factors if factor.varies]
    about = f"{count_text(len(report.cells), 'figure')}" + (f", varying {listed(varied)}." if varied else ".")
    own = tag("a", "Its report", href=f"{run.folder}/report.html") if run.has_page else ""
    return joined([tag("p", about, " ", own, class_="note"), answer_list(report.sentences)])
