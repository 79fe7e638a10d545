"""The combined matrix report: HTML, Markdown and charts.

    paths = write_report("runs/dome-to-vault-20260101T000000Z-4f2a")

Reads a run's folder and never a host; may be repeated at any time.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.report.model import Report


def read_report(folder: str | Path) -> Report:
    """The report of the run at `folder`, as records; PlanError when there is no readable run."""
    from orchestrator.report.making import read

    return read(folder)


def write_report(folder: str | Path, out: str | Path | None = None) -> list[Path]:
    """Write cells.csv, columns.json, report.html, report.md and the charts of the run at `folder`; their paths.

    They go into the run's folder, or to `out`. PlanError when there is no readable run.
    """
    from orchestrator.report.making import write

    return write(folder, out)
