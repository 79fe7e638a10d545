"""Writing tables: rows as they are, in a stable order, harmless in a spreadsheet.

What a row does not have is empty, never zero. Text that a spreadsheet would run as a formula gets a leading
apostrophe; `restore_text` takes it off again, so that what is read is what was written.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from orchestrator.run_files import Folder, write_file
from orchestrator.words.plain_text import visible

# Spreadsheets run cells that begin so (OWASP, "CSV Injection"); the apostrophe itself is in the set so that the
# neutral form can be told from a text that began with one.
_FORMULA_STARTS = "=+-@\t\r'"
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")

# pandas' own kinds of nothing; pandas itself is not loaded for their names
_NOTHING = ("NAType", "NaTType")

Row = Mapping[str, Any]
_LINES_AT_ONCE = 10_000


def neutral_text(text: str) -> str:
    """`text` that no spreadsheet runs as a formula; plain numbers stay as they are."""
    if text[:1] in _FORMULA_STARTS and text and not _PLAIN_NUMBER.fullmatch(text):
        return "'" + text
    return text


def restore_text(text: str) -> str:
    """The text that `neutral_text` was given."""
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in _FORMULA_STARTS else text


def cell_text(value: Any) -> str:
    """One value as it stands in a CSV file: empty for None and not-a-number, lists as words, records as JSON."""
    if hasattr(value, "item"):  # a number of numpy's
        value = value.item()
    if value is None or type(value).__name__ in _NOTHING:
        return ""
    if isinstance(value, (bool, int, float)):
        return _number_text(value)
    if isinstance(value, Mapping):
        return neutral_text(visible(json.dumps(value, sort_keys=True, ensure_ascii=False)))
    if isinstance(value, (list, tuple, set, frozenset)):
        return neutral_text(" ".join(visible(item) for item in value))
    return neutral_text(visible(value))


def _number_text(value: float) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if math.isnan(value):
        return ""
    # A count that became a float by a division or a data frame is still written as a count.
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(float(value))


def csv_text(columns: Sequence[str], rows: Iterable[Row], *, header: bool = True) -> str:
    """The rows as CSV text (RFC 4180 quoting, line ends as Unix tools expect)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    if header:
        writer.writerow(columns)
    writer.writerows([cell_text(row.get(column)) for column in columns] for row in rows)
    return out.getvalue()


def write_rows(path: Path, columns: Sequence[str], rows: Iterable[Row]) -> None:
    """Write a whole table; the file appears whole or not at all."""
    write_file(path, csv_text(columns, rows))


def append_rows(path: Path, columns: Sequence[str], rows: Iterable[Row]) -> None:
    """Add rows to a table; the header is written when the file is new."""
    folder = Folder(path.parent)
    folder.append(path.name, csv_text(columns, rows, header=folder.size_bytes(path.name) == 0).encode())


def append_member(path: Path, columns: Sequence[str], rows: Iterable[Row]) -> None:
    """Add one trial's rows to a gzip file as a member of its own, so that a crash tears at most this trial."""
    folder = Folder(path.parent)
    text = csv_text(columns, rows, header=folder.size_bytes(path.name) == 0)
    folder.append(path.name, gzip.compress(text.encode(), compresslevel=6, mtime=0))


def append_text_member(path: Path, columns: Sequence[str], lines: Iterable[str]) -> None:
    """The same from lines of CSV as they come, of which none is kept; nothing is written where there is none."""
    folder = Folder(path.parent)
    new = folder.size_bytes(path.name) == 0
    lines = iter(lines)
    first = next(lines, None)
    if first is None:
        return
    with (
        os.fdopen(folder.open_append(path.name), "ab") as file,
        gzip.GzipFile("", "wb", compresslevel=6, fileobj=file, mtime=0) as member,
    ):
        if new:
            member.write(csv_text(columns, []).encode())
        member.write(first.encode())
        while piece := "".join(islice(lines, _LINES_AT_ONCE)):
            member.write(piece.encode())
