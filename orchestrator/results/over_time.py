"""Goodput and cores over time, as few points as a page can show, from tables that may hold a day.

The tables are read in pieces, twice where that is what it takes to know how many intervals go into one point; nothing
of them is kept. Each point has the mean, the least and the most of its intervals, so that one that fell out stays
visible among thousands.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import pandas as pd

from orchestrator.results import columns
from orchestrator.results.folder import RunFolder
from orchestrator.results.rows.intervals import BROKEN_OFF
from orchestrator.results.write import restore_text

_ROWS_AT_ONCE = 200_000
_WHOLE_GAP_S = 0.16  # a longer one between two intervals of 0.1 s (the last up to 0.15) is of some that are missing
_INTERVAL_S = 0.1
_KEY = ["trial", "attempt", "link", "way", "role"]


class Line(NamedTuple):
    """Which goodput over time: of one attempt at a trial, one link and way."""

    trial: int
    attempt: int
    link: str
    way: str
    role: str

    @property
    def broken_off(self) -> bool:
        """Whether its attempt came to no end."""
        return self.role == BROKEN_OFF


@dataclass
class Point:
    """Some intervals together: when they end, and their goodput in bit/s; `seconds` is their time."""

    t_s: float
    bits: float
    seconds: float
    min_bit_s: float
    most_bit_s: float

    @property
    def mean_bit_s(self) -> float:
        """Over their time."""
        return self.bits / self.seconds if self.seconds else 0.0


def goodput_over_time(folder: RunFolder, points: int) -> dict[Line, list[Point]]:
    """Each line in at most `points` points; of a search, only the trial that confirms."""
    sizes: dict[Line, int] = {}
    for chunk in _chunks(folder, "series.csv.gz", [*_KEY]):
        for key, size in chunk.groupby(_KEY, sort=False, observed=True).size().items():
            line = _line(key)
            sizes[line] = sizes.get(line, 0) + int(size)
    found: dict[Line, list[Point]] = {line: [] for line in sizes}
    done: dict[Line, int] = dict.fromkeys(sizes, 0)
    for chunk in _chunks(folder, "series.csv.gz", [*_KEY, "t_s", "bytes"]):
        for key, rows in chunk.groupby(_KEY, sort=False, observed=True):
            line = _line(key)
            together = -(-sizes[line] // points)
            _add(found[line], rows, done[line], together)
            done[line] += len(rows)
    return found


def _line(key: Any) -> Line:
    trial, attempt, link, way, role = cast(tuple[Any, Any, str, str, str], key)
    return Line(int(trial), int(attempt), link, way, role)


def _add(known: list[Point], rows: pd.DataFrame, before: int, together: int) -> None:
    """Add a piece of a line to its points; `before` intervals of it have been added."""
    last_s = known[-1].t_s if known else 0.0
    t_s = rows["t_s"].astype("float64").reset_index(drop=True)
    steps_s = t_s.diff()
    steps_s.iloc[0] = t_s.iloc[0] - last_s
    steps_s = steps_s.where((steps_s > 0) & (steps_s < _WHOLE_GAP_S), _INTERVAL_S if len(t_s) + before > 1 else t_s)
    bits = 8.0 * rows["bytes"].astype("float64").reset_index(drop=True)
    place = (pd.Series(range(before, before + len(rows)))) // together
    table = pd.DataFrame({"place": place, "t_s": t_s, "bits": bits, "seconds": steps_s, "rate": bits / steps_s})
    points = table.groupby("place", sort=False).agg(
        t_s=("t_s", "last"),
        bits=("bits", "sum"),
        seconds=("seconds", "sum"),
        least=("rate", "min"),
        most=("rate", "max"),
    )
    for number, point in zip(points.index, points.itertuples(index=False), strict=True):
        values = Point(*(float(value) for value in cast(Any, point)))
        if int(number) < len(known):  # its first intervals were in the piece before
            first = known[int(number)]
            values = Point(
                values.t_s,
                first.bits + values.bits,
                first.seconds + values.seconds,
                min(first.min_bit_s, values.min_bit_s),
                max(first.most_bit_s, values.most_bit_s),
            )
            known[int(number)] = values
        else:
            known.append(values)


class CoreMean(NamedTuple):
    """Mean shares of one core: busy, and in softirq and interrupts."""

    core: int
    busy: float
    kernel: float


def core_means(folder: RunFolder, places: Mapping[int, Any]) -> dict[tuple[Any, str], list[CoreMean]]:
    """(place, host) -> its cores over all samples; `places` says where a trial belongs."""
    sums: dict[tuple[Any, str, int], list[float]] = {}
    for chunk in _chunks(folder, "watch.csv.gz", ["trial", "host", "core", "busy", "softirq", "irq", "role"]):
        wanted = chunk[chunk["trial"].isin(list(places)) & (chunk["role"] != BROKEN_OFF)].dropna(subset=["busy"])
        kernel = wanted["softirq"].fillna(0) + wanted["irq"].fillna(0)
        grouped = wanted.assign(kernel=kernel).groupby(["trial", "host", "core"], sort=False, observed=True)
        for key, row in grouped.agg(n=("busy", "size"), busy=("busy", "sum"), kernel=("kernel", "sum")).iterrows():
            trial, host, core = cast(tuple[Any, str, Any], key)
            known = sums.setdefault((places[int(trial)], host, int(core)), [0.0, 0.0, 0.0])
            known[0] += row["n"]
            known[1] += row["busy"]
            known[2] += row["kernel"]
    out: dict[tuple[Any, str], list[CoreMean]] = {}
    for (place, host, core), (count, busy, kernel_sum) in sorted(sums.items()):
        out.setdefault((place, host), []).append(CoreMean(core, busy / count, kernel_sum / count))
    return out


def _chunks(folder: RunFolder, table: str, wanted: list[str]) -> Iterator[pd.DataFrame]:
    """The table in pieces with these columns; what an older linktrial did not write is empty. No rows, no pieces."""
    if not folder.has(table):
        return
    source = io.BufferedReader(cast(Any, _Lines(folder.pieces(table))), 1 << 20)
    kinds = {column.name: column.kind for column in columns.TABLES[table]}
    types = {name: {"text": "str", "whole": "Int64", "number": "float64"}[kinds[name]] for name in wanted}
    empty = {name: [""] for name in wanted if kinds[name] != "text"}
    try:
        reader = pd.read_csv(
            source,
            dtype=cast(Any, types),
            usecols=lambda name: name in types,
            keep_default_na=False,
            na_values=cast(Any, empty),
            encoding="utf-8",
            encoding_errors="replace",
            chunksize=_ROWS_AT_ONCE,
        )
    except (pd.errors.EmptyDataError, StopIteration):
        return
    with reader:
        for chunk in reader:
            for name in wanted:
                if name not in chunk:
                    chunk[name] = pd.Series(
                        "" if kinds[name] == "text" else None,
                        index=chunk.index,
                        dtype="object" if kinds[name] == "text" else "float64",
                    )
                elif kinds[name] == "text":
                    chunk[name] = chunk[name].astype("object").map(restore_text)
            yield chunk


class _Lines(io.RawIOBase):
    """Pieces of a text as a file to read from."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._rest = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._rest:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._rest = piece
        taken = self._rest[: len(buffer)]
        buffer[: len(taken)] = taken
        self._rest = self._rest[len(taken) :]
        return len(taken)
