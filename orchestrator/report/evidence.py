"""What lies behind each cell: its trials, goodput over time, the cores; read as far as a page can show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, cast

import pandas as pd

from orchestrator.report.model import Key
from orchestrator.report.wording import share_text, time_text
from orchestrator.results.read_run import RunData, read_table

# Above this many trials the page shows no lines over time: they would be neither legible nor small.
GREATEST_TRIALS_DRAWN = 2500
_POINTS_IN_ALL = 60_000
_LEAST_POINTS, _MOST_POINTS = 25, 100


@dataclass(frozen=True)
class Replicate:
    """One trial of a cell. Rates in bit/s, times in seconds, shares from 0 to 1."""

    trial: int
    status: str
    reason: str
    goodput_bit_s: float | None
    fill: float | None
    loss_ratio: float | None
    segments_retransmitted: float | None
    round_trip_p99_s: float | None
    sender_busiest_core_busy: float | None
    receiver_busiest_core_busy: float | None

    OPTIONAL: ClassVar[dict[str, str]] = {
        "fill": "of ceiling", "loss_ratio": "loss", "segments_retransmitted": "segments repeated",
        "round_trip_p99_s": "round trip, 99 %", "sender_busiest_core_busy": "busiest core, sending",
        "receiver_busiest_core_busy": "busiest core, receiving"}

    def text_of(self, name: str) -> str:
        """One of its OPTIONAL figures as text; empty when the trial has none."""
        value = getattr(self, name)
        if value is None:
            return ""
        if name.endswith("_s"):
            return time_text(value)
        return f"{value:.0f}" if name == "segments_retransmitted" else share_text(value)


@dataclass(frozen=True)
class Cores:
    """One core: its busy share and the part of that in softirq and interrupts."""

    core: int
    busy: float
    softirq: float


@dataclass(frozen=True)
class Evidence:
    """Per cell, link and way the trials; per trial, link and way the goodput over time; per cell and host the cores."""

    replicates: Mapping[Key, Sequence[Replicate]]
    series: Mapping[Key, Sequence[tuple[float, float]]] = field(default_factory=dict)
    cores: Mapping[tuple[tuple[int, str], str], Sequence[Cores]] = field(default_factory=dict)


def gather(data: RunData, cells: frozenset[int]) -> Evidence:
    """The evidence for these cells."""
    trials = data.trials[data.trials["cell"].isin(list(cells))]
    replicates = _replicates(trials)
    drawn = trials["trial"].nunique()
    if drawn == 0 or data.trials["trial"].nunique() > GREATEST_TRIALS_DRAWN:
        return Evidence(replicates)
    points = min(_MOST_POINTS, max(_LEAST_POINTS, _POINTS_IN_ALL // len(trials)))
    return Evidence(replicates, _series(read_table(data.folder, "series.csv.gz"), points),
                    _cores(read_table(data.folder, "watch.csv.gz"), trials))


def _replicates(trials: pd.DataFrame) -> dict[Key, list[Replicate]]:
    fields = ["goodput_bit_s", *Replicate.OPTIONAL]
    out: dict[Key, list[Replicate]] = {}
    wanted = trials[["cell", "link", "way", "trial", "status", "reason", *fields]]
    for row in wanted.sort_values("trial").to_dict("records"):
        figures = {name: None if pd.isna(row[name]) else float(row[name]) for name in fields}
        one = Replicate(trial=int(row["trial"]), status=row["status"], reason=row["reason"], **figures)
        out.setdefault((int(row["cell"]), row["link"], row["way"]), []).append(one)
    return out


def _series(table: pd.DataFrame, points: int) -> dict[Key, list[tuple[float, float]]]:
    """Goodput in bit/s per trial, link and way, averaged to at most `points` points."""
    if table.empty:
        return {}
    key = ["trial", "link", "way"]
    groups = table.groupby(key, sort=False)
    together = -(-groups["t_s"].transform("size") // points)
    merged = (table.assign(place=groups.cumcount() // together, amount=table["bytes"].astype("float64"))
              .groupby([*key, "place"], sort=False).agg(t_s=("t_s", "last"), amount=("amount", "sum")).reset_index())
    before = merged.groupby(key, sort=False)["t_s"].shift(fill_value=0.0)
    merged = merged.assign(rate=8 * merged["amount"] / (merged["t_s"] - before))[merged["t_s"] > before]
    out: dict[Key, list[tuple[float, float]]] = {}
    columns = (merged[name].tolist() for name in (*key, "t_s", "rate"))
    for trial, link, way, t_s, rate in zip(*columns, strict=True):
        out.setdefault((int(trial), link, way), []).append((t_s, rate))
    return out


def _cores(table: pd.DataFrame, trials: pd.DataFrame) -> dict[tuple[tuple[int, str], str], list[Cores]]:
    places = trials[["trial", "cell", "link"]].drop_duplicates("trial")
    means = (table.merge(places, on="trial")
             .assign(kernel=lambda frame: frame["softirq"].fillna(0) + frame["irq"].fillna(0))
             .groupby(["cell", "link", "host", "core"], sort=True)[["busy", "kernel"]].mean())
    out: dict[tuple[tuple[int, str], str], list[Cores]] = {}
    for place, row in means.dropna(subset=["busy"]).iterrows():
        cell, link, host, core = cast(tuple[Any, str, str, Any], place)
        out.setdefault(((int(cell), link), host), []).append(
            Cores(int(core), float(row["busy"]), float(row["kernel"])))
    return out
