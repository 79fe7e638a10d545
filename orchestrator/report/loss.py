"""Loss against the intended load: where a path begins to lose. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from orchestrator.report.matrix import BOTH_WAYS, DIRECTION
from orchestrator.report.model import CellResult, Report

OFFERED = "intended_load"


@dataclass(frozen=True)
class Point:
    """One cell: what was offered (payload bit/s) and the share of datagrams that were lost."""

    offered_load_bit_s: float
    loss_ratio: float


@dataclass(frozen=True)
class Curve:
    """The cells that differ in the intended load only."""

    name: str
    points: tuple[Point, ...]

    @property
    def max_loss(self) -> float:
        """The greatest loss on it."""
        return max(point.loss_ratio for point in self.points)


def curves(report: Report) -> list[Curve]:
    """One curve per combination of the other levels, link and way with two intended loads or more; most loss first."""
    offered = _offered(report.data.trials)
    grouped: dict[tuple[str, ...], list[CellResult]] = {}
    for cell in report.cells:
        if cell.key in offered and cell.loss_ratio is not None:
            others = tuple(level for factor, level in cell.levels.items() if factor != OFFERED)
            grouped.setdefault((*others, cell.link, cell.way), []).append(cell)
    kept = [cells for cells in grouped.values() if len({offered[cell.key] for cell in cells}) > 1]
    told_apart = _told_apart([cells[0] for cells in kept])
    made = [Curve(_name(cells[0], told_apart), _points(cells, offered)) for cells in kept]
    return sorted(made, key=lambda curve: -curve.max_loss)


def _points(cells: list[CellResult], offered: Mapping[tuple[int, str, str], float]) -> tuple[Point, ...]:
    points = [Point(offered[cell.key], cell.loss_ratio or 0.0) for cell in cells]
    return tuple(sorted(points, key=lambda point: point.offered_load_bit_s))


def _told_apart(cells: list[CellResult]) -> list[str]:
    """The factors in which some curves differ; the direction is told by the arrow between the hosts."""
    names = [name for name in (cells[0].levels if cells else ()) if name not in (OFFERED, DIRECTION)]
    return [name for name in names if len({cell.levels[name] for cell in cells}) > 1]


def _name(cell: CellResult, told_apart: list[str]) -> str:
    levels = [f"{name} {cell.levels[name]}" for name in told_apart if cell.levels[name]]
    both = ["both at once"] if cell.levels.get(DIRECTION) == BOTH_WAYS else []
    return ", ".join([*levels, *both, f"{cell.sender} → {cell.receiver}"])


def _offered(trials: pd.DataFrame) -> dict[tuple[int, str, str], float]:
    """What was asked for, else what was offered; the mean over the valid trials."""
    rate = trials["intended_load_bit_s"].fillna(trials["offered_load_bit_s"])
    known = trials.assign(rate=rate)[(trials["status"] == "valid") & rate.notna() & trials["loss_ratio"].notna()]
    means = known.groupby(["cell", "link", "way"])["rate"].mean()
    return {
        (int(cell), str(link), str(way)): float(value)
        for (cell, link, way), value in zip(means.index.tolist(), means.tolist(), strict=True)
    }
