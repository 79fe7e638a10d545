"""Reading a run's folder into data frames.

    from orchestrator.results.read_run import read_trials
    trials = read_trials("runs/dome-to-hall-20260101T000000Z-4f2a")

Only an empty field of a numeric column is missing; text is text, also when it reads "NA".
"""

from __future__ import annotations

import csv
import io
import mmap
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd

from orchestrator.decide.version_1 import CODES
from orchestrator.faults import PlanError
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder, open_run
from orchestrator.results.sums import with_sums
from orchestrator.results.version_1 import renamed
from orchestrator.results.write import restore_text

GREATEST_COLUMNS = 1000
_HEADER_BYTES = 1_000_000
_BEFORE_A_FIELD = b',"\r\n'
_DTYPES = {"text": "object", "whole": "Int64", "number": "float64"}


@dataclass(frozen=True)
class RunData:
    """A run as read: `run` is run.json, the tables have the columns that columns.json describes."""

    folder: RunFolder
    run: dict[str, Any]
    trials: pd.DataFrame
    hosts: pd.DataFrame
    cells: pd.DataFrame
    factors: tuple[str, ...]
    broken_off: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=columns.names("broken-off.csv")))

    @property
    def path(self) -> Path:
        """Where the run lies."""
        return self.folder.path


def read_trials(path: str | Path) -> pd.DataFrame:
    """The trials of the run at `path`, one row per trial, link and way."""
    return read_table(open_run(path), "trials.csv")


def read_run(path: str | Path) -> RunData:
    """The run at `path`; a table that the run has not (yet) written is empty.

    Where links ran at once, the trials have a row for their sum beside those of each link.

    PlanError when there is no run, a newer linktrial wrote it, or a file is broken or too large.
    """
    folder = open_run(path)
    trials = with_sums(read_table(folder, "trials.csv"))
    return RunData(
        folder,
        folder.record(),
        trials,
        read_table(folder, "hosts.csv"),
        read_table(folder, "cells.csv"),
        tuple(columns.factors_in("trials.csv", list(trials.columns))),
        read_table(folder, "broken-off.csv"),
    )


def read_table(folder: RunFolder, table: str) -> pd.DataFrame:
    """One table with the types its columns promise; without rows when the file is missing."""
    if not folder.has(table):
        return _typed(pd.DataFrame(columns=columns.names(table)), table)
    with _source(folder, table) as source:
        start = io.StringIO(source.read(_HEADER_BYTES).decode("utf-8", "replace"), newline="")
        if "\0" in start.getvalue():
            raise PlanError(
                "run_file_broken",
                f"{folder.at(table)} is no table: it holds bytes that are not text",
                path=str(folder.at(table)),
            )
        header = _header(start, folder.at(table))
        source.seek(0)
        if not header:
            return _typed(pd.DataFrame(columns=columns.names(table)), table)
        try:
            frame = pd.read_csv(
                source,
                dtype=_dtypes(table, header),
                keep_default_na=False,
                encoding="utf-8",
                encoding_errors="replace",
                na_values=_empty_is_missing(table, header),
            )
        except (ValueError, pd.errors.ParserError) as error:
            raise PlanError("run_file_broken", f"{folder.at(table)}: {error}", path=str(folder.at(table))) from error
        return _completed(_of_today(_restored(frame, table) if _any_protected(source) else frame), table)


def _source(folder: RunFolder, table: str) -> BinaryIO:
    return io.BytesIO(folder.unpacked(table)) if table.endswith(".gz") else folder.open_read(table)


def _header(file: Any, path: Path) -> list[str]:
    try:
        header = next(csv.reader(file), [])
    except csv.Error as error:
        raise PlanError("run_file_broken", f"{path}: {error}", path=str(path)) from error
    if len(header) > GREATEST_COLUMNS:
        raise PlanError(
            "run_file_broken", f"{path} has {len(header)} columns, more than {GREATEST_COLUMNS}", path=str(path)
        )
    if len(set(header)) != len(header):
        raise PlanError("run_file_broken", f"{path} names one of its columns twice", path=str(path))
    return header


def _of_today(frame: pd.DataFrame) -> pd.DataFrame:
    """A table with today's names for columns and doubts."""
    names = renamed(list(frame.columns))
    if not names:
        return frame  # each table with a doubt has a column that was renamed
    frame = frame.rename(columns=names)
    if "doubts" in frame.columns:
        frame["doubts"] = frame["doubts"].map(_codes_of_today)
    return frame


def _codes_of_today(doubts: str) -> str:
    return " ".join(CODES.get(code, code) for code in doubts.split(" ")) if isinstance(doubts, str) else doubts


def _kinds(table: str, header: Sequence[str]) -> dict[str, str]:
    """{column: kind}, in a table of version 1 under its names there too."""
    kinds: dict[str, str] = {column.name: column.kind for column in columns.TABLES[table]}
    return kinds | {old: kinds[new] for old, new in renamed(header).items() if new in kinds}


def _dtypes(table: str, header: Sequence[str]) -> dict[str, str]:
    kinds = _kinds(table, header)
    return {name: _DTYPES[kinds.get(name, "text")] for name in header}


def _empty_is_missing(table: str, header: Sequence[str]) -> dict[str, list[str]]:
    """Only an empty field of a numeric column is missing: a host may be called NA."""
    kinds = _kinds(table, header)
    return {name: [""] for name in header if kinds.get(name, "text") != "text"}


def _typed(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    return frame.astype(
        {name: kind for name, kind in _dtypes(table, list(frame.columns)).items() if name != columns.FACTORS_HERE}
    )


def _completed(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Columns that an older linktrial did not write yet, empty, so that old folders stay readable."""
    missing = [
        column
        for column in columns.TABLES[table]
        if column.name not in frame.columns and column.name != columns.FACTORS_HERE
    ]
    if not missing:
        return frame
    added = {
        column.name: pd.Series("" if column.kind == "text" else None, index=frame.index, dtype=_DTYPES[column.kind])
        for column in missing
    }
    return pd.concat([frame, pd.DataFrame(added, index=frame.index)], axis="columns")


def _any_protected(source: BinaryIO) -> bool:
    """Whether any field begins with an apostrophe: looking at every field of a large table takes seconds."""
    if isinstance(source, io.BytesIO):
        return _opens_a_field(source.getvalue())
    with mmap.mmap(source.fileno(), 0, access=mmap.ACCESS_READ) as content:
        return _opens_a_field(content)


def _opens_a_field(content: bytes | mmap.mmap) -> bool:
    place = content.find(b"'")
    while place >= 0:
        if place == 0 or content[place - 1] in _BEFORE_A_FIELD:
            return True
        place = content.find(b"'", place + 1)
    return False


def _restored(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Take off the apostrophes that made text harmless in a spreadsheet."""
    for name, kind in _dtypes(table, list(frame.columns)).items():
        if kind != "object":
            continue
        protected = frame[name].str.startswith("'")
        if protected.any():
            frame.loc[protected, name] = frame.loc[protected, name].map(restore_text)
    return frame
