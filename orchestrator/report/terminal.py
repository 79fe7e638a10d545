"""The report on a terminal: the answer in sentences, the matrix, and where the report lies.

`print_matrix(folder, console)` is what `linktrial run` prints at its end. Every text is a rich `Text`, never markup:
a host named `[red]` stays that.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from orchestrator.report.answer import as_found
from orchestrator.report.matrix import Matrix, MatrixRow, arrange, column_label
from orchestrator.words.figures import THIN, Unit, count_text, rate_unit, share_text, shown
from orchestrator.words.plain_text import visible

if TYPE_CHECKING:
    from rich.console import Console

    from orchestrator.report.model import CellResult, Report

GREATEST_ROWS = 40
# What a figure shows, from the most to the least; the first that fits the terminal's width is taken.
_ABOUT = {
    "all": "mean ± half of the 95 % interval, share of the ceiling, valid/asked where they differ",
    "fill": "mean, share of the ceiling, valid/asked where they differ",
    "mean": "mean, valid/asked where they differ",
}
_DETAILS = tuple(_ABOUT)
_INDENT = "  "
_HELD = "\ue000"  # for private use, one column wide, and no space


def print_matrix(folder: str | Path, console: Console) -> None:
    """Read the run at `folder` and print its answer and matrix on `console`."""
    from orchestrator.report import read_report

    print_report(read_report(folder), console)


def print_report(report: Report, console: Console) -> None:
    """Print a report that was already read."""
    of_hosts = as_found(report.run)  # the command has said it of each, where its log goes
    for sentence in [one for one in report.sentences if one not in of_hosts]:
        # what goes on is indented, so that the eye finds the next sentence
        for place, line in enumerate(_wrapped(visible(sentence), console)):
            console.print(Text((_INDENT if place else "") + line), highlight=False)
    matrix = arrange(report)
    if matrix.rows:
        console.print()
        _print_matrix(matrix, console)
    console.print()
    page = report.data.path / "report.html"
    console.print(Text(f"report: {visible(page)}"), highlight=False, soft_wrap=True)


def _wrapped(sentence: str, console: Console) -> list[str]:
    """Lines that fit; rich takes the narrow space between number and unit for one at which a line may break."""
    lines = Text(sentence.replace(THIN, _HELD)).wrap(console, max(1, console.width - len(_INDENT)))
    return [line.plain.rstrip().replace(_HELD, THIN) for line in lines]


def _print_matrix(matrix: Matrix, console: Console) -> None:
    unit = rate_unit(matrix.max_bit_s)
    fixed = ", ".join(f"{visible(name)} {visible(level)}" for name, level in matrix.fixed)
    rows = matrix.rows[:GREATEST_ROWS]
    detail = next((detail for detail in _DETAILS if _fits(_table(matrix, rows, unit, detail), console)), None)
    about = "\n".join(
        part
        for part in (f"Goodput in {unit.name}: {_ABOUT[detail or 'all']}", f"everywhere: {fixed}" if fixed else "")
        if part
    )
    console.print(Text(about), style="dim", highlight=False)
    if detail:
        console.print(_table(matrix, rows, unit, detail))
    else:
        _print_list(matrix, rows, unit, console)
    if len(matrix.rows) > len(rows):
        console.print(Text(f"… and {count_text(len(matrix.rows) - len(rows), 'row')} more, in the report"), style="dim")


def _fits(table: Table, console: Console) -> bool:
    # Measured without the console's own bound: a table that would be cut must be seen to be too wide.
    return console.measure(table, options=console.options.update(max_width=10_000)).maximum <= console.width


def _table(matrix: Matrix, rows: tuple[MatrixRow, ...], unit: Unit, detail: str) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for factor in matrix.down:
        table.add_column(Text(visible(factor.name)), no_wrap=True, vertical="bottom")
    for column in matrix.across:
        head, _, ends = column_label(column, matrix.across_factor).partition(": ")
        table.add_column(Text("\n".join(visible(line) for line in (head, ends) if line)), justify="right", no_wrap=True)
    before: tuple[str, ...] = ()
    for row in rows:
        table.add_row(*_levels(row, before), *(_figure(cell, unit, detail) for cell in row.cells))
        before = row.levels
    return table


def _levels(row: MatrixRow, before: tuple[str, ...]) -> list[Text]:
    """The row's levels; one that the row above has too is dimmed, so that the eye finds what changed."""
    out, same = [], True
    for place, level in enumerate(row.levels):
        same = same and len(before) > place and before[place] == level
        out.append(Text(visible(level) or "–", style="dim" if same else ""))
    return out


def _figure(cell: CellResult | None, unit: Unit, detail: str = "all") -> Text:
    if cell is None:
        return Text("–", style="dim")
    if cell.mean_bit_s is None:
        return Text(cell.state, style="dim italic")
    number = shown(cell.mean_bit_s, cell.low_bit_s, cell.high_bit_s, unit.size)
    text = Text(number.value, style="bold")
    if number.margin and detail == "all":
        text.append(f" ±{number.margin}", style="not bold")
    if cell.fill is not None and detail != "mean":
        text.append(f" {share_text(cell.fill):>6}", style="not bold dim")
    if cell.valid < cell.asked:
        text.append(f" {cell.valid}/{cell.asked}", style="not bold italic")
    return text


def _print_list(matrix: Matrix, rows: tuple[MatrixRow, ...], unit: Unit, console: Console) -> None:
    """For narrow terminals: the levels on one line, a figure per column below, their labels under each other."""
    figures = [_figure(cell, unit) for row in rows for cell in row.cells if cell is not None]
    widest = max((figure.cell_len for figure in figures), default=0)
    labels = [column_label(column, matrix.across_factor) for column in matrix.across]
    if len(_INDENT) + widest + 2 + max(map(len, labels), default=0) > console.width:
        widest = 0  # no room to align them
    for row in rows:
        levels = ", ".join(
            f"{factor.name} {level or '–'}" for factor, level in zip(matrix.down, row.levels, strict=True)
        )
        console.print(Text(visible(levels), style="bold"), highlight=False)
        for column, cell in zip(matrix.across, row.cells, strict=True):
            if cell is None:
                continue
            label, figure = visible(column_label(column, matrix.across_factor)), _figure(cell, unit)
            gap = " " * (max(0, widest - figure.cell_len) + 2)
            console.print(Text(_INDENT).append(figure).append(gap + label), highlight=False)
