"""The report as text to paste into a ticket or a pull request."""

from __future__ import annotations

import re
from collections.abc import Sequence

from orchestrator.report.matrix import Matrix, arrange, column_label
from orchestrator.report.model import CellResult, Report
from orchestrator.words.figures import Unit, count_text, rate_unit, share_text, shown
from orchestrator.words.plain_text import visible

GREATEST_ROWS = 500
# What Markdown or the HTML inside it would act on, in a table cell as well as in running text (CommonMark 0.31
# section 2.4), and no more, so that the text can also be read as it is: `_` inside a word does no harm, and without
# `[` neither do `(` and `!`.
_ACTIVE = re.compile(r"([\\`*{}\[\]<>#|~@&]|(?<![^\W_])_|_(?![^\W_]))")
# Addresses that some readers turn into links by themselves, and what opens a list or a heading at a line's beginning.
_LINK = re.compile(r"(?i)(:)(?=//)|(?<=\bwww)(\.)")
_OPENING = re.compile(r"^([+\-=]|\d+(?=[.)]\s))")


def safe(text: object) -> str:
    """Foreign text for a Markdown document: shown as it is written, never acted on."""
    escaped = _LINK.sub(r"\\\g<0>", _ACTIVE.sub(r"\\\1", visible(text)))
    return _OPENING.sub(lambda found: found[1] + "\\" if found[1].isdigit() else "\\" + found[1], escaped)


def text(report: Report) -> str:
    """The whole document."""
    matrix = arrange(report)
    parts = [
        f"# {safe(report.run.get('plan_name', 'run'))}",
        safe(report.run.get("purpose", "")),
        "\n".join(f"- {safe(sentence)}" for sentence in report.sentences),
        _matrix(matrix),
        _not_valid(report),
        f"Run {safe(report.run.get('run_id', ''))}, linktrial {safe(report.run.get('linktrial', ''))}.",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _matrix(matrix: Matrix) -> str:
    if not matrix.rows:
        return ""
    unit = rate_unit(matrix.max_bit_s)
    head = [
        *(safe(factor.name) for factor in matrix.down),
        *(safe(column_label(column, matrix.across_factor)) for column in matrix.across),
    ]
    rows = [
        [*(safe(level) or "–" for level in row.levels), *(_figure(cell, unit) for cell in row.cells)]
        for row in matrix.rows[:GREATEST_ROWS]
    ]
    about = f"Goodput in {unit.name}: mean (95 % interval), share of the ceiling, valid trials of those asked for."
    fixed = ", ".join(f"{safe(name)} {safe(level)}" for name, level in matrix.fixed)
    more = len(matrix.rows) - len(rows)
    return "\n\n".join(
        part
        for part in (
            "## Matrix",
            about + (f" Everywhere: {fixed}." if fixed else ""),
            table(head, rows, ["---"] * len(matrix.down) + ["---:"] * len(matrix.across)),
            f"{count_text(more, 'row')} more in cells.csv." if more > 0 else "",
        )
        if part
    )


def table(head: Sequence[str], rows: Sequence[Sequence[str]], rules: Sequence[str]) -> str:
    """A table of cells that are already safe."""
    return "\n".join(f"| {' | '.join(line)} |" for line in (head, rules, *rows))


def _figure(cell: CellResult | None, unit: Unit) -> str:
    if cell is None:
        return "–"
    if cell.mean_bit_s is None:
        return f"*{cell.state}*"
    number = shown(cell.mean_bit_s, cell.low_bit_s, cell.high_bit_s, unit.size)
    return ", ".join(
        part
        for part in (
            f"**{number.value}**" + (f" ({number.interval})" if number.interval else ""),
            share_text(cell.fill) if cell.fill is not None else "",
            f"{cell.valid}/{cell.asked}",
        )
        if part
    )


def _not_valid(report: Report) -> str:
    if not report.not_valid:
        return ""
    rows = [
        [group.status, str(len(group.trials)), ", ".join(map(str, group.cells[:10])), safe(group.reason)]
        for group in report.not_valid[:GREATEST_ROWS]
    ]
    return "## What is not valid, and why\n\n" + table(
        ["status", "trials", "cells", "reason"], rows, ["---", "---:", "---", "---"]
    )
