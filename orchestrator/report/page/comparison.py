"""A comparison of runs as a page: what was made differently, the answer, every cell with its interval. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from orchestrator import __version__
from orchestrator.report.comparison import WORDS, answers, cell_name, change_text, definitions, more_text, value_text
from orchestrator.report.page.html import answer_list, document
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import plain_table
from orchestrator.report.page.svg import Span, dot, drawing, line
from orchestrator.results.comparison.compare import CellComparison, Comparison
from orchestrator.results.comparison.environment import Unlike
from orchestrator.results.comparison.run_summary import CellKey
from orchestrator.words.figures import count_text

GREATEST_CELLS = 2000
_WIDTH, _HEIGHT = 200, 14
_LEAST_REACH, _GREATEST_REACH = 0.05, 1.0


def page(comparison: Comparison) -> str:
    """The whole page."""
    heading = f"{_sides(comparison.candidate)} against {_sides(comparison.reference)}"
    made = [
        ("answer", "Answer", answer_list([*answers(comparison), *comparison.notes])),
        ("differences", "What is not the same on both sides", _unlike(comparison)),
        ("matrix", "Each cell", _cells(comparison)),
        ("not-compared", "What could not be compared", _not_compared(comparison)),
        ("words", "What the verdicts mean", tag("ul", *(tag("li", text) for text in definitions(comparison)))),
    ]
    sections = [(name, title, content) for name, title, content in made if content]
    under = tag("p", f"{comparison.measure.name}, run against run", class_="purpose")
    return document(heading, [under], sections, f"written by linktrial {__version__}")


def _sides(runs: Sequence[str]) -> str:
    return runs[0] if len(runs) == 1 else f"{runs[0]} and {count_text(len(runs) - 1, 'more run', 'more runs')}"


def _unlike(comparison: Comparison) -> Markup:
    found: tuple[Unlike, ...] = (*comparison.unlike, *comparison.environment)
    if not found:
        return tag("p", "Nothing that was recorded differs between the two sides.")
    return plain_table(
        "Recorded on both sides and not the same",
        ("what", "reference", "candidate"),
        [(one.what, str(one.reference), str(one.candidate)) for one in found],
        "words",
    )


def _cells(comparison: Comparison) -> Markup:
    shown = sorted(comparison.cells, key=lambda cell: WORDS.index(cell.word))[:GREATEST_CELLS]
    reach = _reach(comparison, shown)
    rows = [
        (
            cell_name(comparison, cell),
            _mean(comparison, cell.reference_mean),
            _mean(comparison, cell.candidate_mean),
            tag("span", change_text(cell), class_="change"),
            _forest(comparison, cell, reach),
            tag("span", cell.word, class_=f"tag {cell.word.replace(' ', '-')}"),
            more_text(comparison, cell),
        )
        for cell in shown
    ]
    left_out = len(comparison.cells) - len(shown)
    about = f"Change of {comparison.measure.name}; in the drawing the dashed lines are the threshold"
    head = ("cell", "reference", "candidate", "change (95 % interval)", "", "verdict", "")
    more = tag("p", f"{count_text(left_out, 'cell')} more are in the comparison's JSON.") if left_out else None
    return joined([plain_table(about, head, rows, "words"), more])


def _mean(comparison: Comparison, value: float | None) -> str:
    return "" if value is None else value_text(comparison, value)


def _reach(comparison: Comparison, cells: Sequence[CellComparison]) -> float:
    """How far the drawings go to either side: to the widest interval, within reason."""
    ends = [
        abs(end - 1)
        for cell in cells
        if cell.contrast
        for end in (cell.contrast.low, cell.contrast.high)
        if math.isfinite(end)
    ]
    return min(_GREATEST_REACH, max([_LEAST_REACH, 2 * comparison.threshold_ratio, *ends]))


def _forest(comparison: Comparison, cell: CellComparison, reach: float) -> Markup:
    """The change with its interval between the thresholds; it stands beside it as text."""
    if cell.contrast is None or not math.isfinite(cell.contrast.high):
        return Markup("")
    axis = Span(-reach, reach, _WIDTH - 8, 4)
    middle = _HEIGHT / 2
    limits = [axis.at(sign * comparison.threshold_ratio) for sign in (-1, 1)]
    return drawing(
        _WIDTH,
        _HEIGHT,
        line(axis.at(0), 0, axis.at(0), _HEIGHT, "axis-line"),
        *(line(at, 0, at, _HEIGHT, "ceiling") for at in limits),
        line(axis.at(cell.contrast.low - 1), middle, axis.at(cell.contrast.high - 1), middle, "mean"),
        dot(axis.at(cell.contrast.ratio - 1), middle, "valid", 4),
        class_="forest",
    )


def _not_compared(comparison: Comparison) -> Markup | None:
    sides: tuple[tuple[str, tuple[CellKey, ...]], ...] = (
        ("reference", comparison.only_reference),
        ("candidate", comparison.only_candidate),
    )
    rows = [(key.text(), f"only in the {side}") for side, keys in sides for key in keys]
    return plain_table("Cells that only one side has", ("cell", "why"), rows, "words") if rows else None
