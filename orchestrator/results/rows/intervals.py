"""Rows of series.csv.gz and watch.csv.gz as lines of text: from a record of an older run, or from the journal's lines.

A day of a link has millions of rows, so they are made and written one after the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from orchestrator.decide.interval_lines import Place
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.evidence import each_link
from orchestrator.metrics.intervals import STEP_NS
from orchestrator.results.columns import names
from orchestrator.results.interval_index import End, IntervalIndex
from orchestrator.results.rows.detail import series_rows, watch_rows
from orchestrator.results.write import cell_text, csv_text

Json = Mapping[str, Any]
BROKEN_OFF = "broken_off"  # the role of intervals whose attempt came to no measurement


@dataclass(frozen=True)
class CountedWindow:
    """One counted window whose intervals go into the tables. `record` is None where the attempt has none."""

    place: Place
    role: str
    record: TrialRecord | None


def counted_windows(records: Sequence[TrialRecord], index: IntervalIndex) -> list[CountedWindow]:
    """The windows of these records in their order, those that were measured in vain for the same trial around them.

    What belongs to no record is kept apart by its role: an attempt that broke off, or a search's further steps.
    """
    known = {_place_of(record) for record in records}
    attempts = {(record["position"], record["attempt"]): record for record in records}
    others: dict[int, list[CountedWindow]] = {}
    for place in sorted(index.places):
        if place.position > 0 and place not in known:
            whole = attempts.get((place.position, place.attempt)) or {}
            role = "search" if whole.get("search") else BROKEN_OFF
            others.setdefault(place.position, []).append(CountedWindow(place, role, None))
    found: list[CountedWindow] = []
    for position, same in groupby(records, lambda record: int(record["position"])):
        theirs = [CountedWindow(_place_of(record), record["role"], record) for record in same]
        beside = others.pop(position, [])
        found += [one for one in beside if one.place.attempt < theirs[0].place.attempt]
        found += theirs
        found += [one for one in beside if one.place.attempt >= theirs[0].place.attempt]
    return found + [one for rest in others.values() for one in rest]


def _place_of(record: TrialRecord) -> Place:
    window = (record.get("second") or record.get("first") or {}).get("window") or 0
    return Place(int(record["position"]), int(record.get("attempt") or 0), int(window))


def series_text(window: CountedWindow, index: IntervalIndex) -> Iterator[str]:
    """One line per way and interval, in the order of the table's columns."""
    if window.record:
        yield from _lines("series.csv.gz", series_rows(window.record))
    for end in _in_order(window, index):
        for line in index.lines(window.place, end):
            for way, t_s, octets, datagrams in line.received():
                yield f"{_before(window, end.link, way)}{_number(t_s)},{octets},{datagrams},{window.role}\n"


def broken_off_rows(window: CountedWindow, index: IntervalIndex, cell: int) -> list[dict[str, Any]]:
    """One row per link and way of an attempt that came to no end: how far it came, and what it had measured."""
    seen: dict[tuple[str, str], list[float]] = {}
    for end in _in_order(window, index):
        for line in index.lines(window.place, end):
            for way, t_s, octets, _ in line.received():
                known = seen.setdefault((end.link, way), [0.0, 0.0, 0.0])
                known[0] += min(t_s - known[2], STEP_NS / 1e9) if t_s > known[2] else 0.0
                known[1] += octets
                known[2] = t_s
    return [
        {
            "trial": window.place.position,
            "attempt": window.place.attempt,
            "cell": cell,
            "link": link,
            "way": way,
            "seconds": round(seconds, 6),
            "goodput_bit_s": 8 * octets / seconds if seconds else None,
        }
        for (link, way), (seconds, octets, _) in seen.items()
    ]


def watch_text(window: CountedWindow, index: IntervalIndex) -> Iterator[str]:
    """One line per host, interval and core, by the first of the links that the host is an end of."""
    if window.record:
        yield from _lines("watch.csv.gz", watch_rows(window.record))
    ends = sorted(_in_order(window, index), key=lambda end: end.end)
    for end in {end.host: end for end in reversed(ends)}.values():
        for line in index.lines(window.place, end):
            for t_s, core, *shares, clock_hz in line.watched():
                yield (
                    f"{_before(window, end.host)}{_number(t_s)},{core},{','.join(map(_number, shares))},"
                    f"{'' if clock_hz is None else clock_hz},{window.role}\n"
                )


def _lines(table: str, rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if rows:
        yield csv_text(names(table), rows, header=False)


def _in_order(window: CountedWindow, index: IntervalIndex) -> list[End]:
    """Links in the record's order; of each the transmitted way's receiver, the second end, before the other."""
    links = [one["link"] for one in each_link(window.record)] if window.record else []
    rank = {link: place for place, link in enumerate(links)}
    return sorted(
        index.places.get(window.place, {}), key=lambda end: (rank.get(end.link, len(rank)), end.end != "second")
    )


_PREFIXES: dict[tuple[Any, ...], str] = {}
_NUMBERS: dict[float, str] = {}
_MOST_KNOWN = 10_000


def _before(window: CountedWindow, *names: str) -> str:
    """Trial, attempt and these names, as they begin a line."""
    key = (window.place.position, window.place.attempt, *names)
    if key not in _PREFIXES:
        if len(_PREFIXES) > _MOST_KNOWN:
            _PREFIXES.clear()
        columns = [str(place) for place in range(len(key))]
        text = csv_text(columns, [dict(zip(columns, key, strict=True))], header=False)
        _PREFIXES[key] = text.rstrip("\n") + ","
    return _PREFIXES[key]


def _number(value: float) -> str:
    """A number as every table has it; those that come again and again are not made again."""
    if value not in _NUMBERS:
        if len(_NUMBERS) > _MOST_KNOWN:
            _NUMBERS.clear()
        _NUMBERS[value] = cell_text(value)
    return _NUMBERS[value]
