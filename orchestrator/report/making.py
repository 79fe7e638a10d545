"""Making a report: tables in, files out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from orchestrator.report import answer, charts, influence, limits, markdown, model
from orchestrator.report.page import html
from orchestrator.results import columns
from orchestrator.results.folder import CHARTS
from orchestrator.results.read_run import read_run
from orchestrator.results.statistics.screen import screens_of
from orchestrator.run_files import Folder
from orchestrator.stored import made_of


def read(folder: str | Path) -> model.Report:
    """The report of the run at `folder`, as records."""
    with made_of(folder):
        return _read(folder)


def _read(folder: str | Path) -> model.Report:
    report = model.build(read_run(folder))
    trials, screens = report.data.trials, tuple(screens_of(report.run, report.data.trials))
    # A fraction has no pairs of cells that differ in one factor only, which is what effects are made of.
    rehearsed = report.data.folder.has("rehearsal.csv")
    report = replace(
        report,
        rehearsed=rehearsed,
        causes=limits.causes_of(trials),
        screens=screens,
        effects=() if screens else influence.effects_of(trials, report.factors),
    )
    return replace(report, sentences=tuple(answer.sentences(report)))


def write(folder: str | Path, out: str | Path | None) -> list[Path]:
    """Write every file of the report; their paths."""
    report = read(folder)
    with made_of(folder):
        return _write(report, out)


def _write(report: model.Report, out: str | Path | None) -> list[Path]:
    target = Folder(Path(out) if out is not None else report.data.path).make()
    beside_tables = target.path.resolve() == report.data.path.resolve()
    files = {"report.html": html.page(report, beside_tables=beside_tables), "report.md": markdown.text(report)}
    for name, content in files.items():
        target.write(name, content)
    columns.write_columns(target.at("columns.json"), report.data.factors)
    return [*(target.at(name) for name in (*files, "columns.json")), *charts.write_charts(report, target.inner(CHARTS))]
