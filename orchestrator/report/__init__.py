"""The combined matrix report: HTML, Markdown and charts.

    paths = write_report("runs/dome-to-hall-20260101T000000Z-4f2a")

Reads a run's folder and never a host; may be repeated at any time.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.report.model import Report


def read_report(folder: str | Path) -> Report:
    """The report of the run at `folder`, as records; PlanError when there is no readable run."""
    _one_thread_for_arithmetic()
    from orchestrator.report.making import read

    return read(folder)


def write_report(folder: str | Path, out: str | Path | None = None) -> list[Path]:
    """Write columns.json, report.html, report.md and the charts of the run at `folder`; their paths.

    They go into the run's folder, or to `out`. PlanError when there is no readable run.
    """
    _one_thread_for_arithmetic()
    from orchestrator.report.making import write

    return write(folder, out)


def _one_thread_for_arithmetic() -> None:
    """Ask numpy's library for one thread, unless the user asked otherwise or numpy is loaded already.

    Our matrices are small: more threads wait for each other longer than they compute, up to ten times on a busy
    machine.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
