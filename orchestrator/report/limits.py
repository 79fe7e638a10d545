"""What limited each cell, gathered: short names for the matrix, groups for the section, a sentence for the answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd

from orchestrator.report.matrix import DIRECTION
from orchestrator.report.model import WAYS, CellResult, Key, Report
from orchestrator.results.causes.from_columns import Cause, cell_cause
from orchestrator.words.figures import count_text, listed

# What held a cell back needs no more trials to show than this; in a large run fewer, so that it takes seconds.
GREATEST_TRIALS_JUDGED = 30
GREATEST_ROWS_JUDGED = 10_000
_LEAST_TRIALS_JUDGED = 2
GREATEST_CLAUSES = 4
_NOT_MEASURED = "not_measured"

# code -> (a few words for a matrix cell, a clause for the answer; {host} is the end that the code names)
_WORDS = {
    "link_full": ("link full", "the link is full"),
    "acknowledgements": ("wire full with replies", "the wire is full with data and replies"),
    "narrower_part": ("slower part of the path", "some part of the path is slower than the link is believed to be"),
    "intended_load": ("as offered", "the plan offered no more"),
    "sender_process": ("sending process", "the sending process on {host} is at its limit"),
    "receiver_process": ("receiving process", "the receiving process on {host} is at its limit"),
    "sender_quota": ("sender's CPU quota", "{host} ran out of its CPU quota while sending"),
    "receiver_quota": ("receiver's CPU quota", "{host} ran out of its CPU quota while receiving"),
    "sender_softirq": ("sender's interrupts", "network interrupts fill one core of {host} while it sends"),
    "receiver_softirq": ("receiver's interrupts", "network interrupts fill one core of {host} while it receives"),
    "instrument": ("our own limit", "our own traffic pair reaches no more"),
    "pause_frames": ("pause frames", "pause frames hold the sender back"),
    "receiver_window": ("receiver's window", "the window of {host} is too small for the delay"),
    "send_buffer": ("send buffer", "the send buffer is too small for the delay"),
    "loss": ("loss", "loss sets the pace"),
    "path_frame_size": ("path's frame size", "the path does not carry the frames"),
    "unknown": ("cause unknown", "nothing that was looked at explains it"),
}


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
    return _WORDS.get(cause.code, (cause.code.replace("_", " "), ""))[0] if cause else ""


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
        return [f"The bottlenecks of the {count_text(total, 'figure')} is unknown: {_clause(found[0])}."]
    if len(found) == 1 and total > 1:
        return [f"The bottlenecks of all {count_text(total, 'figure')}: {_clause(found[0])}."]
    parts = [f"{_clause(group)} in {len(group.cells)}{_shared(report, group.cells)}" for group in found]
    more = len(parts) - GREATEST_CLAUSES
    text = "; ".join(parts[:GREATEST_CLAUSES]) + (f"; {count_text(more, 'other cause')} below" if more > 0 else "")
    return [f"The bottlenecks of the {count_text(total, 'figure')}: {text}."]


def _clause(group: LimitGroup) -> str:
    return _WORDS.get(group.code, ("", short(group.example)))[1].format(host=group.host)


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
