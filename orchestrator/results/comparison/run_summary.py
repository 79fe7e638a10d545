"""A run reduced to what a comparison needs: its environment, and the independent values of every cell.

Small and plain, so that it can be stored as a reference and compared when the run's folder is long gone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from orchestrator.faults import PlanError
from orchestrator.results.cells import NOT_OF_THE_CELL, valid_rows
from orchestrator.results.comparison.environment import conditions, environment
from orchestrator.results.read_run import RunData
from orchestrator.results.statistics.grid import level_text
from orchestrator.results.statistics.summary import unit_means
from orchestrator.stored import made_of


@dataclass(frozen=True)
class Measure:
    """Something that can be compared as a ratio."""

    name: str
    column: str
    higher_is_better: bool


MEASURES = {
    measure.name: measure
    for measure in (
        Measure("goodput", "goodput_bit_s", higher_is_better=True),
        Measure("sender-cpu", "sender_cpu_s_per_gigabyte", higher_is_better=False),
        Measure("receiver-cpu", "receiver_cpu_s_per_gigabyte", higher_is_better=False),
        Measure("round-trip", "round_trip_p99_s", higher_is_better=False),
    )
}


@dataclass(frozen=True)
class CellKey:
    """What makes a cell the same one in another run: link, way, and its levels."""

    link: str
    way: str
    levels: tuple[tuple[str, str], ...]

    def text(self) -> str:
        """`uplink, transmit, mtu 9000, clock performance`; a direction that is the way itself goes without saying."""
        return ", ".join(
            [
                self.link,
                self.way,
                *(
                    f"{name} {level}"
                    for name, level in self.levels
                    if level and (name, level) != ("direction", self.way)
                ),
            ]
        )


@dataclass(frozen=True)
class CellValues:
    """One cell of one run: trials by status, and for each measure the means of its independent units."""

    key: CellKey
    statuses: Mapping[str, int]
    values: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True)
class RunSummary:
    """One run."""

    run_id: str
    started_at: str
    threshold_ratio: float | None
    environment: Mapping[str, str]
    conditions: Mapping[str, str]
    plan: str
    cells: tuple[CellValues, ...]

    def as_dict(self) -> dict[str, Any]:
        """As it is stored."""
        return {
            "run_id": self.run_id,
            "started_at": self.started_at,
            "threshold_ratio": self.threshold_ratio,
            "environment": dict(self.environment),
            "conditions": dict(self.conditions),
            "plan": self.plan,
            "cells": [
                {
                    "link": cell.key.link,
                    "way": cell.key.way,
                    "levels": dict(cell.key.levels),
                    "statuses": dict(cell.statuses),
                    "values": {name: list(values) for name, values in cell.values.items()},
                }
                for cell in self.cells
            ],
        }


def summary_from_dict(stored: Any) -> RunSummary:
    """The inverse of `as_dict`; PlanError when it is not one."""
    try:
        cells = tuple(
            CellValues(
                CellKey(
                    str(cell["link"]), str(cell["way"]), tuple((str(k), str(v)) for k, v in cell["levels"].items())
                ),
                {str(status): int(count) for status, count in cell["statuses"].items()},
                {str(name): tuple(float(one) for one in values) for name, values in cell["values"].items()},
            )
            for cell in stored["cells"]
        )
        threshold = stored["threshold_ratio"]
        return RunSummary(
            str(stored["run_id"]),
            str(stored["started_at"]),
            None if threshold is None else float(threshold),
            {str(what): str(text) for what, text in stored["environment"].items()},
            {str(what): str(text) for what, text in stored["conditions"].items()},
            str(stored["plan"]),
            cells,
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise PlanError("reference_broken", f"this is not a stored run: {error!r}") from error


def summarise_run(data: RunData) -> RunSummary:
    """The summary of a run that was read; PlanError when what it holds makes no sense."""
    with made_of(data.path):
        return _summary(data)


def _summary(data: RunData) -> RunSummary:
    run = data.run
    threshold = run.get("threshold_ratio")
    plan = data.folder.text("plan.yaml") if data.folder.has("plan.yaml") else ""
    return RunSummary(
        str(run.get("run_id", data.path.name)),
        str(run.get("started_at", "")),
        float(threshold) if isinstance(threshold, int | float) else None,
        environment(run),
        conditions(run, data.factors),
        plan,
        tuple(_cells(data.trials, data.factors)),
    )


def _cells(trials: pd.DataFrame, factors: Sequence[str]) -> list[CellValues]:
    measured = trials[~trials["role"].isin(NOT_OF_THE_CELL)]
    found = []
    for (_, link, way), group in measured.groupby(["cell", "link", "way"], sort=True):
        first = group.iloc[0]
        key = CellKey(str(link), str(way), tuple((name, level_text(first[name])) for name in factors))
        found.append(CellValues(key, dict(Counter(str(status) for status in group["status"])), _values(group)))
    return found


def _values(group: pd.DataFrame) -> dict[str, tuple[float, ...]]:
    valid = valid_rows(group)
    found = {}
    for measure in MEASURES.values():
        known = valid[valid[measure.column].notna()] if measure.column in valid else valid.iloc[:0]
        if len(known):
            numbers = known[measure.column].to_numpy(dtype=float, na_value=np.nan)
            units = unit_means(numbers, known["whole_plot"].tolist())
            found[measure.name] = tuple(float(one) for one in units)
    return found
