"""A table, field by field: numbers stay numbers, text is judged by what its column holds."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable, Iterator, Mapping

from orchestrator.decide.verdict.doubts import DOUBTS
from orchestrator.faults import PlanError
from orchestrator.report.public.fields import Fields, is_number
from orchestrator.report.public.reviewed import LEVELS, ROLES, STATUSES
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder
from orchestrator.results.write import neutral_text, restore_text
from orchestrator.run_files import MOST_TABLE_BYTES

Judge = Callable[[str], str | None]  # None: the field, and so its row, has no place in the copy


_NEVER_EMPTY = ("trial", "cell")


class Tables:
    """The tables of a run, written anew; torn rows, and those with no number where one belongs, are left out."""

    def __init__(self, fields: Fields, settings_of: Mapping[str, str]) -> None:
        self._fields = fields
        self._settings_of = settings_of
        self._judges = self._by_column()
        self.rows_left_out = 0

    def judged(self, folder: RunFolder, name: str) -> bytes:
        """The table of the copy, packed as the original is."""
        packed = name.endswith(".gz")
        text = folder.unpacked(name).decode("utf-8", "replace") if packed else folder.text(name, MOST_TABLE_BYTES)
        try:
            data = self._written(name, csv.reader(io.StringIO(text, newline=""))).encode()
        except csv.Error as error:
            raise PlanError("run_file_broken", f"{folder.at(name)}: {error}", path=str(folder.at(name))) from error
        return gzip.compress(data, mtime=0) if packed else data

    def _written(self, name: str, rows: Iterator[list[str]]) -> str:
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        judges = self._columns(name, next(rows, []))
        writer.writerow([shown for shown, _ in judges])
        for row in rows:
            judged = _row(row, judges)
            if judged is None:
                self.rows_left_out += 1
            else:
                writer.writerow(judged)
        return out.getvalue()

    def _columns(self, name: str, header: list[str]) -> list[tuple[str, Judge]]:
        """(the column's name in the copy, how its fields are judged)."""
        kinds = {column.name: column.kind for column in columns.TABLES[name]}
        return [
            (column, self._judge(column, kinds[column]))
            if column in kinds
            else (self._fields.factor(column), self._level(column))
            for column in header
        ]

    def _judge(self, column: str, kind: columns.Kind) -> Judge:
        if kind != "text":
            return lambda text: text if is_number(text, whole=kind == "whole") else None
        return _remembering(self._judges.get(column, self._fields.scrubber.text))

    def _level(self, factor: str) -> Judge:
        setting = self._settings_of.get(factor, factor)
        return _remembering(lambda text: self._fields.level_text(setting, text))

    def _by_column(self) -> dict[str, Callable[[str], str]]:
        fields, scrubber = self._fields, self._fields.scrubber
        judges: dict[str, Callable[[str], str]] = {
            "run_id": fields.run_id,
            "plan": lambda text: scrubber.name("plan", text),
            "link": lambda text: scrubber.name("link", text),
            "started_at": fields.time,
            "interval_method": fields.interval_method,
            "remarks": fields.remarks,
            "running_kernel": fields.release,
            "counter": fields.counter,
            "doubts": lambda text: " ".join(word if word in DOUBTS else scrubber.text(word) for word in text.split()),
        }
        judges |= dict.fromkeys(("sender", "receiver", "host"), lambda text: scrubber.name("host", text))
        judges |= dict.fromkeys(("sender_interface", "receiver_interface", "interface"), fields.interface)
        for column, allowed in (
            ("role", ROLES),
            ("way", LEVELS),
            ("status", STATUSES),
            ("send_path", LEVELS),
            ("receive_path", LEVELS),
            ("clock_simulated", LEVELS),
            ("counted_by", frozenset({"kernel", "arrival", "read"})),
        ):
            judges[column] = _one_of(scrubber.of, allowed)
        return judges


def _remembering(judge: Callable[[str], str]) -> Judge:
    """Tables repeat themselves, so each text is looked at once."""
    known: dict[str, str] = {}

    def judged(text: str) -> str:
        if text not in known:
            known[text] = neutral_text(judge(restore_text(text)))
        return known[text]

    return judged


def _one_of(judge: Callable[[frozenset[str], str], str], allowed: frozenset[str]) -> Callable[[str], str]:
    return lambda text: judge(allowed, text)


def _row(row: list[str], judges: list[tuple[str, Judge]]) -> list[str] | None:
    """The row of the copy; None when it has no place there: one that is torn, or of no trial or cell, is no row."""
    if len(row) != len(judges):
        return None
    judged = [judge(field) for field, (_, judge) in zip(row, judges, strict=True)]
    missing = any(field == "" and column in _NEVER_EMPTY for field, (column, _) in zip(row, judges, strict=True))
    return None if missing or None in judged else [field for field in judged if field is not None]
