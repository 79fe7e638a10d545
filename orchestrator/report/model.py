"""What the report says, as plain records: built once from the tables, drawn by html, markdown and terminal alike."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import pandas as pd

from orchestrator.results.causes.from_columns import Cause
from orchestrator.results.read_run import RunData
from orchestrator.results.statistics.effects import Effects
from orchestrator.results.statistics.screen import Screen
from orchestrator.results.write import cell_text, restore_text
from orchestrator.words.plain_text import visible
from orchestrator.words.statuses import NOT_VALID, STATUSES

Key = tuple[int, str, str]
WAYS = ("transmit", "receive")
_FIGURE = r"\d+(\.\d+)?"


@dataclass(frozen=True)
class Factor:
    """A factor of the plan and its levels as text, in the plan's order; '' where it does not apply."""

    name: str
    levels: tuple[str, ...]

    @property
    def varies(self) -> bool:
        """Whether more than one level was asked for."""
        return len(self.levels) > 1


@dataclass(frozen=True)
class CellResult:
    """One cell, link and way. Rates in bit/s; None is what was not measured."""

    number: int
    link: str
    way: str
    sender: str
    receiver: str
    levels: Mapping[str, str]
    asked: int
    counts: Mapping[str, int]
    noted: int
    mean_bit_s: float | None
    low_bit_s: float | None
    high_bit_s: float | None
    ceiling_bit_s: float | None
    fill: float | None
    loss_ratio: float | None
    doubts: tuple[str, ...] = ()
    reason: str = ""

    @property
    def valid(self) -> int:
        """The trials that the figures rest on."""
        return self.counts["valid"]

    @property
    def state(self) -> str:
        """`measured`, or the status that most of its trials have."""
        if self.mean_bit_s is not None:
            return "measured"
        return max(NOT_VALID, key=lambda status: self.counts[status]) if any(self.counts.values()) else "skipped"

    @property
    def key(self) -> Key:
        """What tells it from the others."""
        return (self.number, self.link, self.way)


@dataclass(frozen=True)
class RowOfTrials:
    """A group of trials that were not valid, for one reason."""

    status: str
    doubts: str
    reason: str
    trials: tuple[int, ...]
    cells: tuple[int, ...]


@dataclass(frozen=True)
class Report:
    """Everything the three forms of the report draw."""

    data: RunData
    factors: tuple[Factor, ...]
    cells: tuple[CellResult, ...]
    not_valid: tuple[RowOfTrials, ...]
    links: tuple[str, ...]
    sentences: tuple[str, ...] = field(default=())
    causes: Mapping[Key, Cause] = field(default_factory=dict)
    effects: tuple[Effects, ...] = ()
    screens: tuple[Screen, ...] = ()
    rehearsed: bool = False  # a rehearsal was made, whose figures are in no table but its own

    @property
    def run(self) -> dict[str, Any]:
        """run.json."""
        return self.data.run

    @property
    def measured(self) -> list[CellResult]:
        """The cells that have a figure."""
        return [cell for cell in self.cells if cell.mean_bit_s is not None]


def build(data: RunData) -> Report:
    """The report of a run that was read."""
    factors = _factors(data)
    return Report(
        data,
        factors,
        _cells(data, factors),
        not_valid_groups(data.trials),
        tuple(visible(link) for link in dict.fromkeys(data.trials["link"])),
    )


def _factors(data: RunData) -> tuple[Factor, ...]:
    """Levels in the plan's order, which run.json keeps; a level that only a table knows comes after."""
    planned: dict[str, dict[str, None]] = {name: {} for name in data.factors}
    listed = data.run.get("cells")
    for cell in listed if isinstance(listed, list) else []:
        levels = cell.get("levels") if isinstance(cell, dict) else None
        for name, level in levels.items() if isinstance(levels, dict) else ():
            if name in planned:
                planned[name].setdefault(restore_text(cell_text(level)))
    for name, levels in planned.items():
        for level in pd.unique(data.trials[name]) if name in data.trials else ():
            levels.setdefault(level)
    # A level that does not apply is listed last: it is the absence of one.
    return tuple(Factor(name, tuple(sorted(levels, key=lambda level: level == ""))) for name, levels in planned.items())


def _cells(data: RunData, factors: Sequence[Factor]) -> tuple[CellResult, ...]:
    worst = _reasons(data.trials)
    names = [factor.name for factor in factors]
    return tuple(_cell(row, names, worst) for row in data.cells.to_dict("records"))


def _cell(row: Mapping[Any, Any], factors: Sequence[str], reasons: Mapping[Key, tuple[str, str]]) -> CellResult:
    number, link, way = int(row["cell"]), row["link"], row["way"]
    doubts, reason = reasons.get((number, link, way), ("", ""))
    return CellResult(
        number=number,
        link=link,
        way=way,
        sender=row["sender"],
        receiver=row["receiver"],
        levels={name: row[name] for name in factors},
        asked=_count(row["n_asked"]),
        counts={status: _count(row[f"n_{status}"]) for status in STATUSES},
        noted=_count(row["n_noted"]),
        mean_bit_s=_number(row["goodput_mean_bit_s"]),
        low_bit_s=_not_below_zero(row["goodput_low_bit_s"]),
        high_bit_s=_number(row["goodput_high_bit_s"]),
        ceiling_bit_s=_number(row["ceiling_bit_s"]),
        fill=_number(row["fill_mean"]),
        loss_ratio=_number(row["loss_ratio_mean"]),
        doubts=tuple(doubts.split()),
        reason=reason,
    )


def _number(value: Any) -> float | None:
    return None if value is None or value is pd.NA or not math.isfinite(value) else float(value)


def _not_below_zero(value: Any) -> float | None:
    """The lower end of an interval of rates: what lies below zero is no rate, so nothing is lost by leaving it out."""
    number = _number(value)
    return None if number is None else max(0.0, number)


def _count(value: Any) -> int:
    return 0 if value is None or value is pd.NA else int(value)


def _reasons(trials: pd.DataFrame) -> dict[Key, tuple[str, str]]:
    """Per cell, link and way: all doubts its trials carry, and the reason given most often."""
    doubtful = trials[(trials["doubts"] != "") | (trials["reason"] != "")]
    doubts: dict[Key, dict[str, None]] = {}
    said: dict[Key, Counter[str]] = {}
    columns = (doubtful[name].tolist() for name in ("cell", "link", "way", "doubts", "reason"))
    for cell, link, way, words, reason in zip(*columns, strict=True):
        key = (int(cell), link, way)
        doubts.setdefault(key, {}).update(dict.fromkeys(words.split()))
        said.setdefault(key, Counter()).update([reason] if reason else [])
    return {
        key: (" ".join(doubts[key]), next((reason for reason, _ in said[key].most_common(1)), "")) for key in doubts
    }


def not_valid_groups(trials: pd.DataFrame) -> tuple[RowOfTrials, ...]:
    """The trials that are not valid, gathered by status and kind of reason, the most frequent first."""
    wrong = trials[trials["status"] != "valid"]
    groups = []
    kind = wrong["reason"].str.replace(_FIGURE, "#", regex=True).rename("kind")  # measured figures make no new reason
    for said, group in wrong.groupby(["status", "doubts", kind], sort=False):
        status, doubts, _ = cast(tuple[str, str, str], said)
        first = group.iloc[0]
        alike = f" (trial {first['trial']}; the others alike)" if group["reason"].nunique() > 1 else ""
        groups.append(
            RowOfTrials(
                status,
                doubts,
                first["reason"] + alike,
                tuple(dict.fromkeys(int(n) for n in group["trial"])),
                tuple(sorted({int(n) for n in group["cell"]})),
            )
        )
    return tuple(sorted(groups, key=lambda group: -len(group.trials)))
