"""What a run's folder holds, and how its files are read without trusting who wrote them.

A folder may come from another person, so every read is bounded: regular files only, no link that leaves the folder,
a greatest size, and a greatest size after decompression.
"""

from __future__ import annotations

import json
import stat
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from orchestrator.faults import PlanError

SCHEMA_VERSION = 1

# file name -> (what it is, for whom it is listed in the report)
FILES: dict[str, str] = {
    "plan.yaml": "the plan as it was run, with its bindings",
    "run.json": "versions, seed, schema version, the hosts, how the run ended, whether the hosts are as found",
    "survey-before.json": "the hosts as surveyed before the run",
    "survey-after.json": "the hosts as surveyed after the run",
    "journal.jsonl": "every step of the run in its order, checksummed",
    "trials.csv": "one row per trial, link and way",
    "rehearsal.csv": "one row per trial of the rehearsal, link and way; in no figure",
    "hosts.csv": "one row per trial and host",
    "cells.csv": "one row per cell, link and way",
    "series.csv.gz": "goodput over time, one row per trial, way and interval",
    "watch.csv.gz": "the cores over time, one row per trial, host, interval and core",
    "broken-off.csv": "one row per attempt at a trial that came to no end, link and way; in no figure",
    "counters.csv.gz": "the change of every driver counter in every trial",
    "columns.json": "what each column means, its unit and where it comes from",
    "log.txt": "the log",
    "report.html": "this report as one page",
    "report.md": "this report as text to paste",
}
CHARTS = "charts"

_MEBI = 1024 * 1024
GREATEST_TEXT_BYTES = 64 * _MEBI
GREATEST_TABLE_BYTES = 2048 * _MEBI
GREATEST_UNPACKED_BYTES = 512 * _MEBI
GREATEST_STREAMED_BYTES = 8192 * _MEBI  # of what is read in pieces and never held: a day of both ends takes under 1 GiB
GREATEST_JSON_DEPTH = 64


@dataclass(frozen=True)
class RunFolder:
    """A run's folder; `open_run` makes one after looking at it."""

    path: Path

    def has(self, name: str) -> bool:
        """Whether the file is there and may be read."""
        return (self.path / name).is_file() and self._stays_inside(name)

    def file(self, name: str, greatest_bytes: int = GREATEST_TABLE_BYTES) -> Path:
        """The path of a file that may be read; PlanError when it is missing, no regular file, outside or too large."""
        path = self.path / name
        if not path.exists():
            raise PlanError("run_file_missing", f"{path} is missing", path=str(path))
        if not self._stays_inside(name):
            raise PlanError("run_file_outside", f"{path} is a link that leaves the run's folder", path=str(path))
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise PlanError("run_file_odd", f"{path} is not a regular file", path=str(path))
        if status.st_size > greatest_bytes:
            raise PlanError("run_file_large", f"{path} holds {status.st_size} bytes, more than the {greatest_bytes} "
                            "that are read", path=str(path), size_bytes=status.st_size)
        return path

    def text(self, name: str) -> str:
        """A text file's content; bytes that are not UTF-8 are replaced."""
        return self.file(name, GREATEST_TEXT_BYTES).read_text(encoding="utf-8", errors="replace")

    def json(self, name: str) -> Any:
        """A JSON file's content; PlanError when it is no JSON or nested too deeply."""
        try:
            value = json.loads(self.text(name))
        except (ValueError, RecursionError) as error:
            raise PlanError("run_file_broken", f"{self.path / name} is not JSON: {error}", path=name) from error
        if _depth_exceeds(value, GREATEST_JSON_DEPTH):
            raise PlanError("run_file_broken", f"{self.path / name} is nested more than {GREATEST_JSON_DEPTH} deep",
                            path=name)
        return value

    def unpacked(self, name: str, greatest_bytes: int = GREATEST_UNPACKED_BYTES) -> bytes:
        """The content of a gzip file, as far as it is whole; at most `greatest_bytes`, cut at a line's end.

        A crash in mid-trial leaves a torn last member: what came before it is still good.
        """
        with self.file(name).open("rb") as packed:
            kept = bytearray()
            for piece in _unpacked_pieces(packed, greatest_bytes):
                kept += piece
        return bytes(kept[: kept.rfind(b"\n") + 1])

    def pieces(self, name: str, greatest_bytes: int = GREATEST_STREAMED_BYTES) -> Iterator[bytes]:
        """The same in pieces that each end with a line's end, for what is too large to be held."""
        with self.file(name).open("rb") as packed:
            rest = b""
            for piece in _unpacked_pieces(packed, greatest_bytes):
                whole, newline, tail = piece.rpartition(b"\n")
                if newline:
                    yield rest + whole + newline
                    rest = b""
                rest += tail

    def _stays_inside(self, name: str) -> bool:
        return (self.path / name).resolve().is_relative_to(self.path.resolve())


def _unpacked_pieces(packed: BinaryIO, greatest_bytes: int) -> Iterator[bytes]:
    """The members of a gzip file one after the other, until its end, its first fault or the bound.

    By hand, because the standard library's reader gives nothing of a good member when a torn one follows it.
    """
    left, rest = greatest_bytes, b""
    member = zlib.decompressobj(wbits=31)
    while left > 0:
        rest = rest or packed.read(_MEBI // 8)
        if not rest:
            return
        try:
            piece = member.decompress(rest, left)
        except zlib.error:
            return
        yield piece
        left -= len(piece)
        rest = member.unused_data if member.eof else member.unconsumed_tail
        if member.eof:
            member = zlib.decompressobj(wbits=31)


def _depth_exceeds(value: Any, most: int) -> bool:
    level = [value]
    for _ in range(most):
        level = [inner for outer in level if isinstance(outer, (dict, list))
                 for inner in (outer.values() if isinstance(outer, dict) else outer)]
        if not level:
            return False
    return True


def open_run(path: str | Path) -> RunFolder:
    """The run's folder at `path`; PlanError when there is none or a newer linktrial wrote it."""
    folder = RunFolder(Path(path))
    if not folder.path.is_dir():
        raise PlanError("no_run", f"{path} is not a folder", next_step="name the folder of a run", path=str(path))
    if not folder.has("run.json"):
        raise PlanError("no_run", f"{path} holds no run.json, so it is not a run's folder",
                        next_step="name the folder that `linktrial run` printed", path=str(path))
    run = folder.json("run.json")
    schema = run.get("schema") if isinstance(run, dict) else None
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise PlanError("run_schema", f"{path}/run.json names no schema version", path=str(path), schema=schema)
    if schema > SCHEMA_VERSION:
        raise PlanError("run_schema", f"{path} was written with schema {schema}; this linktrial reads up to "
                        f"{SCHEMA_VERSION}", next_step="use a newer linktrial", path=str(path), schema=schema)
    return folder
