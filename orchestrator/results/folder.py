"""What a run's folder holds, and a greatest size also after decompression; how it is read at all: `run_files`."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from orchestrator.decide.version_1 import in_todays_names, users_factors
from orchestrator.faults import PlanError
from orchestrator.run_files import Folder
from orchestrator.stored import SCHEMA_VERSION

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
GREATEST_UNPACKED_BYTES = 512 * _MEBI
_UNPACKED_UNASKED_BYTES = 32 * _MEBI  # below that nobody looks how small it was packed
GREATEST_RATIO = 200  # what a run measures packs to a tenth or so; only what is made to fill memory goes far beyond
GREATEST_STREAMED_BYTES = 8192 * _MEBI  # of what is read in pieces and never held: a day of both ends takes under 1 GiB


@dataclass(frozen=True)
class RunFolder(Folder):
    """A run's folder; `open_run` makes one after looking at it."""

    def unpacked(self, name: str, max_bytes: int = GREATEST_UNPACKED_BYTES) -> bytes:
        """The content of a gzip file, as far as it is whole; at most `max_bytes`, cut at a line's end.

        A crash in mid-trial leaves a torn last member: what came before it is still good.
        """
        with self.open_read(name) as packed:
            kept = bytearray()
            for piece in _unpacked_pieces(packed, max_bytes, self.at(name)):
                kept += piece
        del kept[kept.rfind(b"\n") + 1 :]
        return bytes(kept)

    def pieces(self, name: str, max_bytes: int = GREATEST_STREAMED_BYTES) -> Iterator[bytes]:
        """The same in pieces that each end with a line's end, for what is too large to be held."""
        with self.open_read(name) as packed:
            rest = b""
            for piece in _unpacked_pieces(packed, max_bytes, self.at(name)):
                whole, newline, tail = piece.rpartition(b"\n")
                if newline:
                    yield rest + whole + newline
                    rest = b""
                rest += tail

    def record(self) -> dict[str, Any]:
        """run.json, in today's names; the copy of the plan beside it stays in its own."""
        return run_record(self)

    def survey(self, name: str) -> Any:
        """The survey that lies there as `name`, in today's names."""
        return in_todays_names(self.json(name), _users_names(self.json("run.json")))


def run_record(folder: Folder) -> dict[str, Any]:
    """run.json of a folder, in today's names; empty when it is none."""
    run = folder.json("run.json")
    if not isinstance(run, dict):
        return {}
    return run if run.get("schema") == SCHEMA_VERSION else in_todays_names(run, _users_names(run))


def _users_names(run: Any) -> frozenset[str]:
    """Hosts, links and factors: keys that are the user's own words."""
    named = [run.get(kind) for kind in ("hosts", "links")] if isinstance(run, dict) else []
    words = frozenset(str(name) for names in named if isinstance(names, dict) for name in names)
    return words | users_factors(run.get("cells") if isinstance(run, dict) else None)


def _unpacked_pieces(packed: BinaryIO, max_bytes: int, path: Path) -> Iterator[bytes]:
    """The members of a gzip file one after the other, until its end, its first fault or the bound.

    By hand, because the standard library's reader gives nothing of a good member when a torn one follows it.
    PlanError when it unpacks to far more than anything measured does.
    """
    left, rest, read = max_bytes, b"", 0
    member = zlib.decompressobj(wbits=31)
    while left > 0:
        if not rest:
            rest = packed.read(_MEBI // 8)
            read += len(rest)
        if not rest:
            return
        try:
            piece = member.decompress(rest, min(left, _MEBI))
        except zlib.error:
            return
        yield piece
        left -= len(piece)
        unpacked = max_bytes - left
        if unpacked > max(_UNPACKED_UNASKED_BYTES, GREATEST_RATIO * read):
            raise PlanError(
                "run_file_large", f"{path} unpacks to more than {GREATEST_RATIO} times its size", path=str(path)
            )
        rest = member.unused_data if member.eof else member.unconsumed_tail
        if member.eof:
            member = zlib.decompressobj(wbits=31)


def open_run(path: str | Path) -> RunFolder:
    """The run's folder at `path`; PlanError when there is none or a newer linktrial wrote it."""
    folder = RunFolder(Path(path))
    if not folder.path.is_dir():
        raise PlanError("no_run", f"{path} is not a folder", next_step="name the folder of a run", path=str(path))
    if not folder.has("run.json"):
        raise PlanError(
            "no_run",
            f"{path} holds no run.json, so it is not a run's folder",
            next_step="name the folder that `linktrial run` printed",
            path=str(path),
        )
    run = folder.json("run.json")
    schema = run.get("schema") if isinstance(run, dict) else None
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise PlanError("run_schema", f"{path}/run.json names no schema version", path=str(path), schema=schema)
    if schema > SCHEMA_VERSION:
        raise PlanError(
            "run_schema",
            f"{path} was written with schema {schema}; this linktrial reads up to {SCHEMA_VERSION}",
            next_step="use a newer linktrial",
            path=str(path),
            schema=schema,
        )
    return folder
