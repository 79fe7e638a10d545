"""Tables: a spreadsheet runs nothing, a reader sees no half file, and what was written reads back."""

from __future__ import annotations

import csv
import errno
import gzip
import io
import math
import os
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.results.write import (
    append_member,
    append_rows,
    cell_text,
    csv_text,
    neutral_text,
    restore_text,
    write_file,
    write_rows,
)


@pytest.mark.parametrize("value", [None, math.nan, np.nan, pd.NA, pd.NaT])
def test_what_a_row_does_not_have_is_empty_never_zero(value: Any) -> None:
    assert cell_text(value) == ""


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (0.0, "0"),
        (2.5, "2.5"),
        (1e9, "1000000000"),
        (1 / 3, "0.3333333333333333"),
        (True, "true"),
        (np.int64(7), "7"),
        (np.float64(0.25), "0.25"),
        (np.bool_(False), "false"),
        (["a", "b"], "a b"),
        ((), ""),
        ({"b": 1, "a": None}, '{"a": null, "b": 1}'),
        (-3, "-3"),
        (-1.5e-7, "-1.5e-07"),
        (math.inf, "inf"),
    ],
)
def test_values_as_they_stand_in_a_table(value: Any, text: str) -> None:
    assert cell_text(value) == text


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "'=1", "'", "=", '=HYPERLINK("x")', "-", "+"],
)
def test_no_spreadsheet_runs_it(text: str) -> None:
    """Leading characters of OWASP's page on CSV injection."""
    assert neutral_text(text).startswith("'")


@pytest.mark.parametrize("text", ["-1.5", "+3", "1e9", "-2E-3", "", "eth1", "a=b", "0000:03:00.0"])
def test_what_is_no_formula_stays_as_it_is(text: str) -> None:
    assert neutral_text(text) == text


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cs"])))
def test_what_was_neutralised_reads_back(text: str) -> None:
    assert restore_text(neutral_text(text)) == text


@given(st.lists(st.lists(st.text(), min_size=2, max_size=2), max_size=8))
def test_any_text_keeps_rows_and_columns_apart(rows: list[list[str]]) -> None:
    written = csv_text(["a", "b"], [dict(zip("ab", row, strict=True)) for row in rows])
    read = list(csv.reader(io.StringIO(written, newline="")))

    assert read[0] == ["a", "b"]
    assert len(read) == 1 + len(rows)
    assert all(len(row) == 2 for row in read)


def test_columns_keep_their_order_and_unknown_ones_are_left_out(tmp_path: Path) -> None:
    write_rows(tmp_path / "t.csv", ["b", "a"], [{"a": 1, "b": 2, "c": 3}, {"a": 4}])

    assert (tmp_path / "t.csv").read_text() == "b,a\n2,1\n,4\n"


def test_appending_writes_the_header_once(tmp_path: Path) -> None:
    for number in (1, 2):
        append_rows(tmp_path / "t.csv", ["a"], [{"a": number}])
        append_member(tmp_path / "t.csv.gz", ["a"], [{"a": number}])

    assert (tmp_path / "t.csv").read_text() == "a\n1\n2\n"
    assert gzip.decompress((tmp_path / "t.csv.gz").read_bytes()) == b"a\n1\n2\n"


def test_each_trial_is_a_member_of_its_own(tmp_path: Path) -> None:
    append_member(tmp_path / "t.csv.gz", ["a"], [{"a": 1}])
    first = (tmp_path / "t.csv.gz").read_bytes()
    append_member(tmp_path / "t.csv.gz", ["a"], [{"a": 2}])

    assert (tmp_path / "t.csv.gz").read_bytes().startswith(first)
    assert gzip.decompress(first) == b"a\n1\n"


def test_the_same_rows_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        append_member(tmp_path / f"{name}.csv.gz", ["a"], [{"a": 1}])

    assert (tmp_path / "one.csv.gz").read_bytes() == (tmp_path / "two.csv.gz").read_bytes()


def test_a_reader_never_sees_half_a_file(tmp_path: Path) -> None:
    """A reader that reads all the while sees one whole content or the other."""
    path = tmp_path / "report.html"
    contents = {"a" * 300_000, "b" * 500_000}
    write_file(path, "a" * 300_000)
    seen: set[str] = set()
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            seen.add(path.read_text())

    reader = threading.Thread(target=read)
    reader.start()
    for number in range(200):
        write_file(path, "ab"[number % 2] * (300_000 if number % 2 == 0 else 500_000))
    done.set()
    reader.join()

    assert seen <= contents
    assert len(seen) == 2


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "report.html"
    write_file(path, "old")
    monkeypatch.setattr(os, "replace", lambda *_, **__: (_ for _ in ()).throw(OSError(errno.ENOSPC, "disk full")))

    with pytest.raises(OSError, match="disk full"):
        write_file(path, "new")
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
    assert path.read_text() == "old"


def test_written_files_follow_the_user_s_mask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_file(tmp_path / "a", "x")
    finally:
        os.umask(before)

    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640
