"""A comparison in words, as Markdown, as plain data and as JUnit. Pure; the verdicts are those of results.compare."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from orchestrator.report.influence import signed
from orchestrator.report.markdown import safe, table
from orchestrator.results.comparison.compare import CellComparison, Comparison
from orchestrator.results.comparison.environment import Unlike
from orchestrator.results.comparison.verdicts import BETTER, INCONCLUSIVE, SAME, WORSE
from orchestrator.results.junit import Case, Outcome, junit_text
from orchestrator.words.figures import count_text, decimals_for, listed, rate_text, significant, time_text
from orchestrator.words.plain_text import visible

WORDS = (WORSE, BETTER, INCONCLUSIVE, SAME)
_ABSENT = "absent"
_NAMED_MOST = 5


def definitions(comparison: Comparison) -> list[str]:
    """What the four verdicts mean."""
    limit = f"{100 * comparison.threshold_ratio:g} %"
    family = count_text(sum(cell.contrast is not None for cell in comparison.cells), "cell")
    less = [] if comparison.measure.higher_is_better else [f"{comparison.measure.name}: less is better, so + is worse."]
    return [
        *less,
        f"{WORSE}, {BETTER}: differs after Holm's adjustment over {family} (5 %), and the estimate is beyond {limit};",
        f"{SAME}: no change beyond {limit}, shown by two one-sided tests at 5 %;",
        f"{INCONCLUSIVE}: neither. Intervals are 95 %, not adjusted. A value is one {_unit_text(comparison)}.",
    ]


def _unit_text(comparison: Comparison) -> str:
    units = {unit_of(comparison, cell) for cell in comparison.cells if cell.contrast}
    return (
        "run where the stored runs say how far runs differ, one replicate elsewhere"
        if len(units) > 1
        else next(iter(units), comparison.unit)
    )


def unit_of(comparison: Comparison, cell: CellComparison) -> str:
    """What one value of a cell is: a run, or a replicate."""
    return cell.unit or comparison.unit


def text_lines(comparison: Comparison) -> list[str]:
    """The comparison for a terminal: what was made differently, the answer, then every cell."""
    lines = ["What is not the same on both sides:"]
    lines += [f"  {line}" for line in _unlike_lines((*comparison.unlike, *comparison.environment))] or [
        "  nothing that was recorded"
    ]
    lines += ["", *answers(comparison)]
    lines += [visible(note) for note in comparison.notes]
    for word in WORDS:
        cells = [cell for cell in comparison.cells if cell.word == word]
        if cells:
            lines += ["", f"{word} ({len(cells)}):", *(f"  {cell_line(comparison, cell)}" for cell in cells)]
    lines += _not_compared(comparison)
    return [*lines, "", *definitions(comparison)]


def answer(comparison: Comparison) -> str:
    """One sentence: how many cells came to which verdict."""
    counted = {word: comparison.counts[word] for word in WORDS if comparison.counts.get(word)}
    sides = (
        f"{comparison.measure.name} of {count_text(len(comparison.candidate), 'run')} against "
        f"{count_text(len(comparison.reference), 'run')}"
    )
    cells = count_text(len(comparison.cells), "cell")
    if len(counted) == 1 and len(comparison.cells) > 1:
        return f"{sides}: {next(iter(counted))} in all {cells}."
    return f"{sides}, {cells}: {listed([f'{number} {word}' for word, number in counted.items()])}."


def answers(comparison: Comparison) -> list[str]:
    """The answer first, then by how much at most, and what the candidate has nothing of any more."""
    said = [answer(comparison)]
    for word, name in ((WORSE, "Worst"), (BETTER, "Best")):
        changes = {
            abs(math.log(cell.contrast.ratio)): cell for cell in comparison.cells if cell.word == word and cell.contrast
        }
        if changes:
            most = changes[max(changes)]
            said.append(f"{name}: {cell_name(comparison, most)}, {change_text(most)}.")
    lost = [cell for cell in comparison.cells if cell.lost]
    if lost:
        names = "; ".join(cell_name(comparison, cell) for cell in lost[:_NAMED_MOST])
        more = f"; and {len(lost) - _NAMED_MOST} more" if len(lost) > _NAMED_MOST else ""
        said.append(
            f"The candidate has no valid trial of {count_text(len(lost), 'cell')} that the reference measured: "
            f"{names}{more}."
        )
    return said


def cell_line(comparison: Comparison, cell: CellComparison) -> str:
    """One cell: its name, the change with its interval, the means, and what would settle it."""
    parts = [f"{cell_name(comparison, cell)}:", change_text(cell)]
    if cell.reference_mean is not None and cell.candidate_mean is not None and cell.contrast:
        reference, candidate = (value_text(comparison, mean) for mean in (cell.reference_mean, cell.candidate_mean))
        parts.append(f"from {reference} to {candidate}")
    more = more_text(comparison, cell)
    return " ".join(part for part in parts if part) + (f"; {more}" if more else "")


def cell_name(comparison: Comparison, cell: CellComparison) -> str:
    """The cell's way and levels; its link too where there are several."""
    several = len({one.key.link for one in comparison.cells}) > 1
    return visible(cell.key.text() if several else cell.key.text().removeprefix(f"{cell.key.link}, "))


def change_text(cell: CellComparison) -> str:
    """`−6.1 % (−7.9 to −4.3)`, or why there is no ratio."""
    if cell.contrast is None:
        return visible(cell.reason)
    ratio, low, high = (100 * (end - 1) for end in (cell.contrast.ratio, cell.contrast.low, cell.contrast.high))
    if not math.isfinite(high) or high > 1e4:
        return f"{signed(f'{ratio:+.1f}')} % (no useful interval)"
    decimals = min(3, decimals_for((high - low) / 2)) if high > low else 1
    ends = f"{signed(f'{low:.{decimals}f}')} to {signed(f'{high:.{decimals}f}')}"
    return f"{signed(f'{ratio:+.{decimals}f}')} % ({ends})"


def more_text(comparison: Comparison, cell: CellComparison) -> str:
    """What would settle a cell that cannot be told, or why a verdict may not be trusted."""
    if cell.carried_by_an_outlier:
        return "the ranks of the values do not show it: look for an outlier"
    if cell.word != INCONCLUSIVE or cell.contrast is None:
        return ""
    if cell.contrast.more is None:
        return "no reasonable number of repetitions would tell: it lies at the threshold, or scatters too much"
    unit = "more run" if unit_of(comparison, cell) == "run" else "more replicate"
    return f"about {count_text(cell.contrast.more, unit)} a side would tell"


def value_text(comparison: Comparison, value: float) -> str:
    """A mean of the measure that is compared, with its unit."""
    if comparison.measure.column == "goodput_bit_s":
        return rate_text(value, 4)
    if comparison.measure.column.endswith("_s"):
        return time_text(value, 3)
    return f"{significant(value, 3)} s/GB"


def _unlike_lines(found: Iterable[Unlike]) -> list[str]:
    return [
        f"{visible(one.what)}: {visible(one.reference) or _ABSENT} in the reference, "
        f"{visible(one.candidate) or _ABSENT} in the candidate"
        for one in found
    ]


def _not_compared(comparison: Comparison) -> list[str]:
    lines: list[str] = []
    for side, keys in (("reference", comparison.only_reference), ("candidate", comparison.only_candidate)):
        if keys:
            lines += ["", f"only in the {side}, not compared ({len(keys)}):"]
            lines += [f"  {visible(key.text())}" for key in keys]
    return lines


def markdown(comparison: Comparison) -> str:
    """The comparison for a pull request or a ticket."""
    first, *others = answers(comparison)
    lines = [f"**{first}**", ""]
    lines += [*(safe(one) for one in others), ""] if others else []
    lines += [*(safe(note) for note in comparison.notes), ""] if comparison.notes else []
    unlike = _unlike_lines((*comparison.unlike, *comparison.environment))
    lines += (
        ["Not the same on both sides:", "", *(f"- {safe(line)}" for line in unlike), ""]
        if unlike
        else ["Nothing that was recorded differs between the two sides.", ""]
    )
    rows = [
        [safe(cell_name(comparison, cell)), safe(change_text(cell)), safe(_verdict_text(comparison, cell))]
        for cell in sorted(comparison.cells, key=lambda one: WORDS.index(one.word))
    ]
    lines.append(table(["cell", "change (95 % interval)", "verdict"], rows, ["---"] * 3))
    lines += [safe(line) for line in _not_compared(comparison)]
    return "\n".join([*lines, "", *definitions(comparison), ""])


def _verdict_text(comparison: Comparison, cell: CellComparison) -> str:
    more = more_text(comparison, cell)
    return f"{cell.word} ({more})" if more else cell.word


def as_data(comparison: Comparison) -> dict[str, Any]:
    """The comparison for a program; ratios are candidate / reference, times and rates in base units."""
    return {
        "schema": 2,
        "reference": list(comparison.reference),
        "candidate": list(comparison.candidate),
        "measure": comparison.measure.name,
        "column": comparison.measure.column,
        "higher_is_better": comparison.measure.higher_is_better,
        "threshold_ratio": comparison.threshold_ratio,
        "unit": comparison.unit,
        "not_the_same": [vars(one) for one in (*comparison.unlike, *comparison.environment)],
        "notes": list(comparison.notes),
        "counts": dict(comparison.counts),
        "cells": [_cell_data(cell, unit_of(comparison, cell)) for cell in comparison.cells],
        "only_reference": [key.text() for key in comparison.only_reference],
        "only_candidate": [key.text() for key in comparison.only_candidate],
    }


def _cell_data(cell: CellComparison, unit: str) -> dict[str, Any]:
    verdict = cell.contrast
    return {
        "link": cell.key.link,
        "way": cell.key.way,
        "levels": dict(cell.key.levels),
        "verdict": cell.word,
        "reason": cell.reason,
        "reference_mean": cell.reference_mean,
        "candidate_mean": cell.candidate_mean,
        "reference_values": cell.sizes[0],
        "candidate_values": cell.sizes[1],
        "lost": cell.lost,
        "unit": unit,
        "ratio": verdict.ratio if verdict else None,
        "low": _finite(verdict.low if verdict else None),
        "high": _finite(verdict.high if verdict else None),
        "p_value_adjusted": verdict.p_value if verdict else None,
        "p_value_ranks": cell.rank_p_value,
        "p_value_no_change": verdict.equivalence_p_value if verdict else None,
        "more_values_a_side": verdict.more if verdict else None,
    }


def _finite(value: float | None) -> float | None:
    """JSON has no infinity."""
    return value if value is not None and math.isfinite(value) else None


def junit(comparison: Comparison, fail_on: frozenset[str]) -> str:
    """One test case for each cell: a failure for the verdicts in `fail_on`, skipped where it cannot be told."""
    return junit_text("linktrial compare", [_case(comparison, cell, fail_on) for cell in comparison.cells])


def _case(comparison: Comparison, cell: CellComparison, fail_on: frozenset[str]) -> Case:
    outcome: Outcome = "failure" if cell.is_any_of(fail_on) else "skipped" if cell.word == INCONCLUSIVE else "passed"
    return Case(
        cell.key.text(),
        f"linktrial.{comparison.measure.name}",
        outcome,
        f"{cell.word}: {cell_line(comparison, cell)}",
        kind=cell.word,
    )
