"""Every column of every table: what it means, its unit, and where the figure comes from.

The order of the columns is the order of these tuples; a plan's factors stand where FACTORS_HERE does.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from orchestrator.results.column import (
    BY_FLOW,
    COUNTED,
    FACTOR,
    FACTORS_HERE,
    PLAN,
    US_RECEIVING,
    WATCHED,
    WIRED,
    Column,
    Kind,
    number,
    text,
    whole,
)
from orchestrator.results.trial_columns import TRIALS
from orchestrator.run_files import write_file
from orchestrator.stored import SCHEMA_VERSION

__all__ = ["FACTOR", "FACTORS_HERE", "TABLES", "Column", "Kind", "describe", "factors_in", "names", "write_columns"]

HOSTS: tuple[Column, ...] = (
    text("run_id", "the run this trial belongs to"),
    whole("trial", "number of the trial in the run"),
    whole("attempt", "which attempt at the trial"),
    whole("cell", "number of the cell"),
    text("link", "the link's name", PLAN),
    text("host", "the host", PLAN),
    text("interface", "its interface on the link", "the survey"),
    text("running_kernel", "the release of the kernel that it ran", "uname -r"),
    number("busy", "mean busy share over all cores", "1", WATCHED),
    whole("busiest_core", "the busiest core", "", WATCHED),
    number("busiest_core_busy", "its busy share", "1", WATCHED),
    number("busiest_core_softirq", "its share in softirq and interrupts", "1", WATCHED),
    number("throttled_ratio", "share of the periods in which the control group was throttled", "1", WATCHED),
    number("clock_mean_hz", "mean clock of the busiest core", "Hz", WATCHED),
    number("clock_min_hz", "minimum clock of the busiest core", "Hz", WATCHED),
    text("clock_simulated", "true when the clock is a simulated one of the lab", WATCHED),
    number("temperature_max_c", "highest temperature seen", "°C", WATCHED),
    number("steal", "share that the hypervisor took, of the core that lost most", "1", WATCHED),
    whole("irq_core", "the core that took most of the interface's interrupts", "", WATCHED),
    whole("softirq_core", "the core that took most network receive softirqs", "", WATCHED),
    number("clock_max_hz", "maximum clock of the busiest core", "Hz", WATCHED),
    whole("thermal_throttles", "times the processor throttled itself for heat", "", WATCHED),
    whole("dropped_own_queue", "frames dropped by the interface's queueing discipline", "", COUNTED),
    whole("dropped_interface", "frames dropped by the interface, received and sent", "", COUNTED),
    whole("dropped_backlog", "frames the kernel's backlog had no room for", "", "/proc/net/softnet_stat"),
    whole("squeezed", "times the kernel's receive loop ran out of its budget", "", "/proc/net/softnet_stat"),
    whole("dropped_socket", "datagrams (or coalesced blocks) the receiving sockets had no room for", "", "SO_MEMINFO"),
    number(
        "cross_traffic_bytes",
        "cross traffic: bytes on the interface, both directions, that no flow of this trial "
        "explains: on none of its links, sent again, acknowledging, probing and SSH included",
        "B",
        BY_FLOW,
    ),
    number("watch_cpu_s", "processor time that watching itself took", "s", WATCHED),
    number(
        "own_traffic_bytes", "bytes on the interface, both directions, that flows of this trial explain", "B", BY_FLOW
    ),
    number(
        "cross_traffic_unsure_bytes",
        "so much more than cross_traffic_bytes the cross traffic may have been",
        "B",
        BY_FLOW,
    ),
    text(
        "cross_traffic_basis",
        "what the account rests on: frames (each segment was counted as one), blocks (the "
        "counters took several segments for one frame, so that some headers were not counted), or estimate (the host "
        "did not tell of its flows)",
        BY_FLOW,
    ),
)

_INTERVAL_ROLE = text(
    "role",
    "the trial's role as in trials.csv; broken_off: of an attempt that came to no end, has "
    "no row in trials.csv and is in no figure",
)

SERIES: tuple[Column, ...] = (
    whole("trial", "number of the trial in the run"),
    whole("attempt", "which attempt at the trial"),
    text("link", "the link's name", PLAN),
    text("way", "transmit or receive, seen from the link's first end"),
    number("t_s", "end of the interval, from the opening of the window", "s", US_RECEIVING),
    whole("bytes", "payload received in the interval", "B", US_RECEIVING),
    whole("datagrams", "datagrams received in the interval", "", US_RECEIVING),
    _INTERVAL_ROLE,
)

WATCH: tuple[Column, ...] = (
    whole("trial", "number of the trial in the run"),
    whole("attempt", "which attempt at the trial"),
    text("host", "the host", PLAN),
    number("t_s", "end of the interval, from the opening of the window", "s", WATCHED),
    whole("core", "the core; of a host with more than 16 the busiest 16 in each two seconds", "", WATCHED),
    number("busy", "share of the interval the core was busy", "1", WATCHED),
    number("softirq", "share in softirq", "1", WATCHED),
    number("irq", "share in interrupts", "1", WATCHED),
    number("steal", "share that the hypervisor took", "1", WATCHED),
    number("clock_hz", "the core's clock", "Hz", WATCHED),
    _INTERVAL_ROLE,
)

BROKEN: tuple[Column, ...] = (
    whole("trial", "number of the trial in the run"),
    whole("attempt", "which attempt at the trial came to no end"),
    whole("cell", "number of the cell"),
    text("link", "the link's name", PLAN),
    text("way", "transmit or receive, seen from the link's first end"),
    number("seconds", "how much of its window was measured", "s", US_RECEIVING),
    number("goodput_bit_s", "goodput in that time, in no mean", "bit/s", US_RECEIVING),
)

COUNTERS: tuple[Column, ...] = (
    whole("trial", "number of the trial in the run"),
    whole("attempt", "which attempt at the trial"),
    text("host", "the host", PLAN),
    text("interface", "the interface", "the survey"),
    text("counter", "the driver's own name of the counter", COUNTED),
    whole("change", "after minus before", "", COUNTED),
)

_CELL = "the cell's valid trials"

CELLS: tuple[Column, ...] = (
    whole("cell", "number of the cell"),
    text("link", "the link's name", PLAN),
    text("way", "transmit or receive, seen from the link's first end"),
    text("sender", "the host that sent", PLAN),
    text("receiver", "the host that received", PLAN),
    FACTOR,
    whole("n_asked", "trials the plan asked for", "", PLAN),
    whole("n_valid", "valid trials: those the figures rest on"),
    whole("n_noted", "valid trials that carry a doubt"),
    whole("n_suspect", "suspect trials, in no figure"),
    whole("n_impossible", "trials that host, link or path cannot do"),
    whole("n_failed", "trials that failed"),
    whole("n_skipped", "trials that were skipped"),
    number("goodput_mean_bit_s", "mean goodput", "bit/s", _CELL),
    number("goodput_median_bit_s", "median goodput", "bit/s", _CELL),
    number("goodput_deviation_bit_s", "standard deviation of the goodput between trials", "bit/s", _CELL),
    number("goodput_min_bit_s", "minimum goodput of a valid trial", "bit/s", _CELL),
    number("goodput_max_bit_s", "maximum goodput of a valid trial", "bit/s", _CELL),
    number("goodput_low_bit_s", "lower end of the 95 % interval of the mean", "bit/s", _CELL),
    number("goodput_high_bit_s", "upper end of the 95 % interval of the mean", "bit/s", _CELL),
    text("interval_method", "how the interval was made, and over how many independent values", _CELL),
    number("skewness", "adjusted sample skewness of the goodput; intervals promise less beyond 1", "1", _CELL),
    whole(
        "n_outliers",
        "valid trials far from the rest (modified z score above 3.5); they stay in every figure",
        "",
        _CELL,
    ),
    number(
        "trend_ratio", "change of the goodput from the first trial to the last (Theil-Sen) / its median", "1", _CELL
    ),
    text("remarks", "skewed, outliers:<n>, drift (a trend that chance shows in fewer than 1 cell of 100)", _CELL),
    number("ceiling_bit_s", "the most goodput that framing, rate and bus allow", "bit/s", WIRED),
    number("fill_mean", "mean goodput / ceiling", "1", WIRED),
    number("loss_ratio_mean", "mean loss", "1", _CELL),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "trials.csv": TRIALS,
    "rehearsal.csv": TRIALS,
    "hosts.csv": HOSTS,
    "cells.csv": CELLS,
    "broken-off.csv": BROKEN,
    "series.csv.gz": SERIES,
    "watch.csv.gz": WATCH,
    "counters.csv.gz": COUNTERS,
}


def names(table: str, factors: Sequence[str] = ()) -> list[str]:
    """The column names of a table in their order, with the plan's factors in their place."""
    out: list[str] = []
    for column in TABLES[table]:
        out.extend(factors if column.name == FACTORS_HERE else [column.name])
    return out


def factors_in(table: str, header: Sequence[str]) -> list[str]:
    """The factor columns of a header: what stands where the factors do and is no column of ours."""
    known = set(names(table))
    return [name for name in header if name not in known]


def describe(factors: Sequence[str] = ()) -> dict[str, object]:
    """All tables with their columns, as they stand in columns.json."""
    tables = {}
    for table, columns in TABLES.items():
        rows: list[dict[str, object]] = []
        for column in columns:
            if column.name == FACTORS_HERE:
                rows.extend({**asdict(FACTOR), "name": factor} for factor in factors)
            else:
                rows.append(asdict(column))
        tables[table] = rows
    return {"schema": SCHEMA_VERSION, "empty": "what a row cannot have is empty, never zero", "tables": tables}


def write_columns(path: Path, factors: Sequence[str]) -> None:
    """Write columns.json."""
    write_file(path, json.dumps(describe(factors), indent=1, ensure_ascii=False) + "\n")
