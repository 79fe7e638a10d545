"""The tables as Parquet files, for people who query them; needs the extra `linktrial[parquet]`."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from orchestrator.faults import PlanError
from orchestrator.results.columns import TABLES
from orchestrator.results.folder import open_run
from orchestrator.results.read_run import read_table


def write_parquet(run: str | Path, out: str | Path) -> list[Path]:
    """Write every table that the run has as a Parquet file into `out`; their paths. PlanError without pyarrow."""
    if importlib.util.find_spec("pyarrow") is None:
        raise PlanError(
            "no_parquet",
            "Parquet files need pyarrow, which is not installed",
            next_step="pip install 'linktrial[parquet]'",
        )
    folder = open_run(run)
    target = Path(out)
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for table in TABLES:
        if folder.has(table):
            path = target / (table.partition(".")[0] + ".parquet")
            read_table(folder, table).to_parquet(path, index=False)
            written.append(path)
    return written
