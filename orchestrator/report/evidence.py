"""What lies behind each cell: its trials, goodput over time, the cores; read as far as a page can show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, cast

import pandas as pd

from orchestrator.report.model import Key
from orchestrator.results.over_time import Line, Point, core_means, goodput_over_time
from orchestrator.results.read_run import RunData
from orchestrator.words.figures import share_text, time_text

# Above this many trials the page shows no lines over time: they would be neither legible nor small.
GREATEST_TRIALS_DRAWN = 2500
_POINTS_IN_ALL = 60_000
_LEAST_POINTS, _MOST_POINTS = 25, 600


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
        "fill": "of ceiling",
        "loss_ratio": "loss",
        "segments_retransmitted": "segments repeated",
        "round_trip_p99_s": "round trip, 99 %",
        "sender_busiest_core_busy": "busiest core, sending",
        "receiver_busiest_core_busy": "busiest core, receiving",
    }

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
    series: Mapping[Key, Sequence[Point]] = field(default_factory=dict)
    broken_off: Mapping[Key, Sequence[Sequence[Point]]] = field(default_factory=dict)  # of attempts that came to no end
    cores: Mapping[tuple[tuple[int, str], str], Sequence[Cores]] = field(default_factory=dict)


def gather(data: RunData, cells: frozenset[int]) -> Evidence:
    """The evidence for these cells."""
    trials = data.trials[data.trials["cell"].isin(list(cells))]
    replicates = _replicates(trials)
    drawn = trials["trial"].nunique()
    if drawn == 0 or data.trials["trial"].nunique() > GREATEST_TRIALS_DRAWN:
        return Evidence(replicates)
    points = min(_MOST_POINTS, max(_LEAST_POINTS, _POINTS_IN_ALL // len(trials)))
    lines = goodput_over_time(data.folder, points)
    broken_off: dict[Key, list[Sequence[Point]]] = {}
    for line, points_of in lines.items():
        if line.broken_off:
            broken_off.setdefault((line.trial, line.link, line.way), []).append(points_of)
    return Evidence(replicates, _series(lines), broken_off, _cores(data, trials))


def _replicates(trials: pd.DataFrame) -> dict[Key, list[Replicate]]:
    fields = ["goodput_bit_s", *Replicate.OPTIONAL]
    out: dict[Key, list[Replicate]] = {}
    wanted = trials[["cell", "link", "way", "trial", "status", "reason", *fields]]
    for row in wanted.sort_values("trial").to_dict("records"):
        figures = {name: None if pd.isna(row[name]) else float(row[name]) for name in fields}
        one = Replicate(trial=int(row["trial"]), status=row["status"], reason=row["reason"], **figures)
        out.setdefault((int(row["cell"]), row["link"], row["way"]), []).append(one)
    return out


def _series(lines: Mapping[Line, Sequence[Point]]) -> dict[Key, Sequence[Point]]:
    """Goodput over time per trial, link and way; of a search only the trial that confirms."""
    return {
        (line.trial, line.link, line.way): points
        for line, points in lines.items()
        if not line.broken_off and line.role != "search"
    }


def _cores(data: RunData, trials: pd.DataFrame) -> dict[tuple[tuple[int, str], str], list[Cores]]:
    first = trials[["trial", "cell", "link"]].drop_duplicates("trial")
    places = {int(row.trial): (int(row.cell), str(row.link)) for row in cast(Any, first.itertuples())}
    return {key: [Cores(*mean) for mean in means] for key, means in core_means(data.folder, places).items()}
