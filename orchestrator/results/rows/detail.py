"""Rows of the packed tables: what arrived per interval, what the cores did, and every counter that moved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.evidence import both_sides, each_link, ways

Json = Mapping[str, Any]
Row = dict[str, Any]
_WATCHED = ("t_s", "core", "busy", "softirq", "irq", "steal", "clock_hz")


def series_rows(record: TrialRecord) -> list[Row]:
    """One row per way and interval, of a record that holds its series: newer ones stand in the journal's own lines."""
    identity = {"trial": record.get("position"), **{name: record.get(name) for name in ("attempt", "role")}}
    return [
        {**identity, "link": one["link"], "way": way.way, "t_s": t_s, "bytes": octets, "datagrams": datagrams}
        for one in each_link(record)
        for way in ways(one)
        for t_s, octets, datagrams in way.receive.get("series") or ()
    ]


def watch_rows(record: TrialRecord) -> list[Row]:
    """One row per host, interval and core, by the first of the links that it is an end of; likewise."""
    identity = {"trial": record.get("position"), **{name: record.get(name) for name in ("attempt", "role")}}
    hosts = {side.host: side for one in reversed(each_link(record)) for side in both_sides(one)}
    return [
        {**identity, "host": side.host, **dict(zip(_WATCHED, values, strict=True))}
        for side in hosts.values()
        for values in side.watch.get("series") or ()
    ]


def counter_rows(record: TrialRecord) -> list[Row]:
    """One row per host and counter that moved."""
    identity = {"trial": record.get("position"), "attempt": record.get("attempt")}
    return [
        {**identity, "host": side.host, "interface": side.interface, "counter": counter, "change": change}
        for one in each_link(record)
        for side in both_sides(one)
        for counter, change in sorted(side.changes.items())
        if change
    ]
