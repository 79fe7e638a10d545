"""The bottlenecks, gathered: short names for the matrix, groups for the section, a sentence for the answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd

from orchestrator.report.matrix import DIRECTION
from orchestrator.report.model import WAYS, CellResult, Key, Report
from orchestrator.results.causes.from_columns import Cause, cell_cause
from orchestrator.words.bottlenecks import BOTTLENECKS
from orchestrator.words.figures import count_text, listed

# A cell's bottleneck needs no more trials to show than this; in a large run fewer, so that it takes seconds.
GREATEST_TRIALS_JUDGED = 30
GREATEST_ROWS_JUDGED = 10_000
_LEAST_TRIALS_JUDGED = 2
GREATEST_CLAUSES = 4
_NOT_MEASURED = "not_measured"


@dataclass(frozen=True)
class LimitGroup:
    """Cells with the same answer; `host` is the end that the answer names, or ''."""

    code: str
    host: str
    cells: tuple[CellResult, ...]
    example: Cause


def causes_of(trials: pd.DataFrame) -> dict[Key, Cause]:
    """The first answer for each cell, link and way that has a measurement to explain."""
    explained = trials[(trials["status"] != "skipped") & trials["role"].isin(("measure", "confirm"))]
    places = explained.groupby(["cell", "link", "way"], sort=False)
    each = min(GREATEST_TRIALS_JUDGED, max(_LEAST_TRIALS_JUDGED, GREATEST_ROWS_JUDGED // max(1, places.ngroups)))
    grouped: dict[Key, list[dict[str, Any]]] = {}
    judged = places.head(each).dropna(axis="columns", how="all")
    for row in cast(list[dict[str, Any]], judged.to_dict("records")):
        grouped.setdefault((int(row["cell"]), row["link"], row["way"]), []).append(row)
    causes = {key: cell_cause(rows) for key, rows in grouped.items()}
    return {key: cause for key, cause in causes.items() if cause.code != _NOT_MEASURED}


def short(cause: Cause | None) -> str:
    """A few words for a matrix cell; '' when there is nothing to say."""
    if cause is None:
        return ""
    known = BOTTLENECKS.get(cause.code)
    return known.short if known else cause.code.replace("_", " ")


def groups(report: Report) -> list[LimitGroup]:
    """The answers with their cells, those that hold most cells first; what is unknown comes last."""
    gathered: dict[tuple[str, str], list[CellResult]] = {}
    for cell in report.measured:
        cause = report.causes.get(cell.key)
        if cause:
            gathered.setdefault((cause.code, _host(cause.code, cell)), []).append(cell)
    made = [
        LimitGroup(code, host, tuple(cells), report.causes[cells[0].key]) for (code, host), cells in gathered.items()
    ]
    return sorted(made, key=lambda group: (group.code == "unknown", -len(group.cells), group.code))


def _host(code: str, cell: CellResult) -> str:
    return {"sender": cell.sender, "receiver": cell.receiver}.get(code.partition("_")[0], "")


def sentences(report: Report) -> list[str]:
    """The bottleneck of the figures, the most frequent first, with the levels that all cells of an answer share."""
    found = groups(report)
    if not found:
        return []
    total = sum(len(group.cells) for group in found)
    if [group.code for group in found] == ["unknown"]:
        return [f"The bottleneck of the {count_text(total, 'figure')} is unknown: {_clause(found[0])}."]
    if len(found) == 1 and total > 1:
        return [f"The bottleneck of all {count_text(total, 'figure')}: {_clause(found[0])}."]
    parts = [f"{_clause(group)} in {len(group.cells)}{_shared(report, group.cells)}" for group in found]
    more = len(parts) - GREATEST_CLAUSES
    text = "; ".join(parts[:GREATEST_CLAUSES]) + (f"; {count_text(more, 'other cause')} below" if more > 0 else "")
    return [f"The bottlenecks of the {count_text(total, 'figure')}: {text}."]


def _clause(group: LimitGroup) -> str:
    known = BOTTLENECKS.get(group.code)
    return known.clause.format(host=group.host) if known else short(group.example)


def _shared(report: Report, cells: Sequence[CellResult]) -> str:
    """` (all with clock powersave)`: the levels that all of these cells have and not every measured cell has."""
    if len(cells) < 2:
        return ""
    shared = []
    for factor in report.factors:
        levels = {cell.levels[factor.name] for cell in cells}
        goes_without_saying = factor.name == DIRECTION and levels <= set(WAYS)
        if len(levels) == 1 and "" not in levels and not goes_without_saying and _differ(report, factor.name):
            shared.append(f"{factor.name} {next(iter(levels))}")
    return f" (all with {listed(shared)})" if shared else ""


def _differ(report: Report, factor: str) -> bool:
    return len({cell.levels[factor] for cell in report.measured}) > 1


def columns_cited(cause: Cause) -> str:
    """The columns of trials.csv that an answer rests on."""
    return ", ".join(cause.columns)


def numbers(cells: Iterable[CellResult]) -> tuple[int, ...]:
    """The cell numbers, each once, in order."""
    return tuple(dict.fromkeys(cell.number for cell in cells))


Causes = Mapping[Key, Cause]
