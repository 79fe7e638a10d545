"""All of a run's tables, made from its journal."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.judge import Verdict
from orchestrator.results.columns import names, write_columns
from orchestrator.results.from_journal import read_judged
from orchestrator.results.rows import (
    COUNTER_COLUMNS,
    HOST_COLUMNS,
    counter_rows,
    host_rows,
    trial_columns,
    trial_rows,
)
from orchestrator.results.rows.intervals import (
    BROKEN_OFF,
    broken_off_rows,
    counted_windows,
    series_text,
    watch_text,
)
from orchestrator.results.write import append_member, append_text_member, write_rows
from orchestrator.run_files import Folder
from orchestrator.stored import made_of

Json = dict[str, Any]


def write_tables(folder: Path) -> None:
    """trials.csv, hosts.csv, cells.csv, the packed tables and columns.json; repeatable."""
    with made_of(folder / "journal.jsonl"):
        _write_tables(folder)


def _write_tables(folder: Path) -> None:
    from orchestrator.results.cells import cells_table
    from orchestrator.results.folder import open_run, run_record
    from orchestrator.results.read_run import read_table
    from orchestrator.results.statistics.stopping import LEAST, widening
    from orchestrator.results.sums import with_sums

    state, everything, intervals = read_judged(folder / "journal.jsonl")
    rehearsed = [(record, verdict) for record, verdict in everything if record["role"] == "rehearse"]
    judged = [(record, verdict) for record, verdict in everything if record["role"] != "rehearse"]
    run = run_record(Folder(folder))
    factors = tuple(dict.fromkeys(name for cell in state.setup.cells for name in cell.levels))
    _write(folder / "trials.csv", trial_columns(factors), judged, lambda r, v: trial_rows(r, v, run))
    if rehearsed:
        _write(folder / "rehearsal.csv", trial_columns(factors), rehearsed, lambda r, v: trial_rows(r, v, run))
    _write(folder / "hosts.csv", HOST_COLUMNS, judged, lambda r, v: host_rows(r, v, run))
    windows = counted_windows([record for record, _ in judged], intervals)
    broken = [
        row
        for window in windows
        if window.role == BROKEN_OFF
        for row in broken_off_rows(window, intervals, state.trial(window.place.position).cell)
    ]
    Folder(folder).remove("broken-off.csv")
    if broken:
        write_rows(folder / "broken-off.csv", names("broken-off.csv"), broken)
    for name, text in (("series.csv.gz", series_text), ("watch.csv.gz", watch_text)):
        with _growing(folder / name) as growing:
            for window in windows:
                append_text_member(growing, names(name), text(window, intervals))
    _pack(folder / "counters.csv.gz", COUNTER_COLUMNS, judged, counter_rows)
    setup = state.setup
    # both kinds of open-ended run look at a cell's spread before they decide to repeat it
    wider = widening(max(LEAST, setup.replicates_min)) if setup.open_ended else 1.0
    table = cells_table(with_sums(read_table(open_run(folder), "trials.csv")), factors, widening=wider)
    write_rows(
        folder / "cells.csv",
        list(table.columns),
        [{str(name): value for name, value in row.items()} for row in table.to_dict("records")],
    )
    write_columns(folder / "columns.json", factors)


def _write(
    path: Path,
    columns: Iterable[str],
    judged: list[tuple[TrialRecord, Verdict]],
    rows: Callable[[TrialRecord, Verdict], list[Json]],
) -> None:
    write_rows(path, list(columns), (row for record, verdict in judged for row in rows(record, verdict)))


def _pack(
    path: Path,
    columns: Iterable[str],
    judged: list[tuple[TrialRecord, Verdict]],
    rows: Callable[[TrialRecord], list[Json]],
) -> None:
    """One member for each trial."""
    with _growing(path) as growing:
        for record, _ in judged:
            if found := rows(record):
                append_member(growing, list(columns), found)


@contextlib.contextmanager
def _growing(path: Path) -> Iterator[Path]:
    """Where a packed table grows; it appears under its own name when the last trial is in it, or not at all."""
    folder, name = Folder(path.parent), f".{path.name}.new"
    folder.remove(name)
    try:
        yield path.with_name(name)
        if folder.has(name):
            folder.rename(name, path.name)
        else:
            folder.remove(path.name)
    finally:
        folder.remove(name)
