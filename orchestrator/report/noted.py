"""What was noted in valid trials, in a sentence each: the table is not the only one to hear of it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from orchestrator.report.model import CellResult, Key, Report
from orchestrator.results.sums import is_sum
from orchestrator.words.figures import count_text, listed
from orchestrator.words.plain_text import shortened

MOST_SENTENCES = 4
_MOST_CELLS = 3
_LONGEST_REASON = 400


@dataclass(frozen=True)
class Note:
    """What the same doubts were noted of: cells (with link and way), trials, and the words of one of them."""

    doubts: str
    keys: tuple[Key, ...]
    trials: int
    reason: str
    alike: bool  # whether all of them say just this


def notes(report: Report) -> list[Note]:
    """Those of the valid trials, the ones of most trials first."""
    trials = report.data.trials
    doubtful = [
        status == "valid" and isinstance(doubts, str) and doubts != "" and not is_sum(str(link))
        for status, doubts, link in zip(trials["status"], trials["doubts"], trials["link"], strict=True)
    ]
    noted = trials[pd.Series(doubtful, index=trials.index, dtype=bool)]
    made = [_note(str(doubts), rows) for doubts, rows in noted.groupby("doubts", sort=False)]
    return sorted(made, key=lambda note: -note.trials)


def _note(doubts: str, rows: pd.DataFrame) -> Note:
    keys = tuple(
        dict.fromkeys(
            (int(cell), str(link), str(way))
            for cell, link, way in zip(rows["cell"], rows["link"], rows["way"], strict=True)
        )
    )
    middle = rows.iloc[(len(rows) - 1) // 2]
    return Note(doubts, keys, rows["trial"].nunique(), str(middle["reason"]), rows["reason"].nunique() == 1)


def sentences(report: Report) -> list[str]:
    """One for each combination of doubts, of the most frequent ones."""
    found = notes(report)
    valid = report.data.trials.loc[report.data.trials["status"] == "valid", "trial"].nunique()
    out = [
        f"Noted in {note.trials} of {count_text(valid, 'valid trial')}, {_where(report, note.keys)}: "
        f"{'' if note.alike else 'in one of them '}"
        f"{shortened(note.reason, _LONGEST_REASON)}."
        for note in found[:MOST_SENTENCES]
    ]
    left = sum(note.trials for note in found[MOST_SENTENCES:])
    if left:
        out.append(f"More was noted in {count_text(left, 'valid trial')}: see the column `reason` of trials.csv.")
    return out


def _where(report: Report, keys: Sequence[Key]) -> str:
    """The cells that it was noted of: from whom to whom, with which levels."""
    from orchestrator.report.answer import levels_text

    by_key = {cell.key: cell for cell in report.cells}
    cells: list[CellResult] = [by_key[key] for key in keys if key in by_key]
    several = len({cell.key for cell in report.cells}) > 1
    named = [
        f"{cell.sender} to {cell.receiver}" + (f" with {levels_text(report, cell)}" if several else "")
        for cell in cells[:_MOST_CELLS]
    ]
    more = len(cells) - len(named)
    return listed([*named, *([f"{more} more"] if more > 0 else [])]) or "of no cell"
