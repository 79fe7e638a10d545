"""The matrix: which factors run down, which runs across, and which cell stands where. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.report.model import WAYS, CellResult, Factor, Report
from orchestrator.words.plain_text import visible

DIRECTION = "direction"
LINK = "link"
GREATEST_ACROSS = 8
BOTH_WAYS = "bidirectional"


@dataclass(frozen=True)
class Across:
    """One column of figures: `level` of the factor across, and the way in which the data went."""

    level: str
    way: str
    sender: str
    receiver: str


@dataclass(frozen=True)
class MatrixRow:
    """One row: its levels down, and a cell or None for each column."""

    levels: tuple[str, ...]
    cells: tuple[CellResult | None, ...]


@dataclass(frozen=True)
class Matrix:
    """The whole matrix. `across_factor` is '' when only the way runs across."""

    down: tuple[Factor, ...]
    across_factor: str
    across: tuple[Across, ...]
    rows: tuple[MatrixRow, ...]
    fixed: tuple[tuple[str, str], ...]

    @property
    def max_bit_s(self) -> float:
        """The greatest mean in it; when nothing was measured the greatest ceiling, so that the unit still fits."""
        cells = self.cells()
        return max((cell.mean_bit_s or 0.0 for cell in cells), default=0.0) or max(
            (cell.ceiling_bit_s or 0.0 for cell in cells), default=0.0
        )

    def cells(self) -> list[CellResult]:
        """Every cell in it, row by row."""
        return [cell for row in self.rows for cell in row.cells if cell]


def arrange(report: Report) -> Matrix:
    """Direction runs across where it varies, because people read a link both ways side by side.

    Otherwise the last factor with few enough levels does. Factors with one level are said once, above the matrix.
    """
    factors = list(report.factors)
    if len(report.links) > 1:
        factors.insert(0, Factor(LINK, report.links))
    varying = [factor for factor in factors if factor.varies]
    across = _factor_across(varying)
    down = tuple(factor for factor in varying if factor.name != across)
    columns = _columns(report.cells, across, factors)
    return Matrix(
        down,
        across,
        columns,
        _rows(report.cells, down, across, columns),
        tuple(
            (factor.name, factor.levels[0])
            for factor in factors
            if not factor.varies and factor.levels and factor.levels[0]
        ),
    )


def _factor_across(varying: Sequence[Factor]) -> str:
    names = [factor.name for factor in varying]
    if DIRECTION in names:
        return DIRECTION
    few = [factor.name for factor in varying if len(factor.levels) <= GREATEST_ACROSS and factor.name != LINK]
    return few[-1] if few else ""


def level_of(cell: CellResult, factor: str) -> str:
    """The cell's level of a factor; its link counts as one, called as the report's links are."""
    return visible(cell.link) if factor == LINK else cell.levels.get(factor, "")


def _columns(cells: Sequence[CellResult], across: str, factors: Sequence[Factor]) -> tuple[Across, ...]:
    order = {level: place for factor in factors if factor.name == across for place, level in enumerate(factor.levels)}
    found: dict[tuple[str, str], Across] = {}
    for cell in cells:
        level = level_of(cell, across) if across else ""
        known = found.get((level, cell.way))
        made = Across(level, cell.way, cell.sender, cell.receiver)
        # Several links have several pairs of hosts: then the column names the way only.
        found[level, cell.way] = made if known in (None, made) else Across(level, cell.way, "", "")
    return tuple(
        sorted(
            found.values(),
            key=lambda one: (order.get(one.level, 0), WAYS.index(one.way) if one.way in WAYS else len(WAYS)),
        )
    )


def _rows(
    cells: Sequence[CellResult], down: Sequence[Factor], across: str, columns: Sequence[Across]
) -> tuple[MatrixRow, ...]:
    place = {(column.level, column.way): index for index, column in enumerate(columns)}
    ranks = [{level: rank for rank, level in enumerate(factor.levels)} for factor in down]
    rows: dict[tuple[str, ...], list[CellResult | None]] = {}
    for cell in cells:
        levels = tuple(level_of(cell, factor.name) for factor in down)
        row = rows.setdefault(levels, [None] * len(columns))
        row[place[level_of(cell, across) if across else "", cell.way]] = cell
    ordered = sorted(
        rows, key=lambda levels: tuple(rank.get(level, len(rank)) for rank, level in zip(ranks, levels, strict=True))
    )
    return tuple(MatrixRow(levels, tuple(rows[levels])) for levels in ordered)


def column_label(column: Across, across_factor: str) -> str:
    """`transmit: dome → hall`, `both at once: hall → dome`, `mtu 9000, transmit`."""
    if across_factor == DIRECTION:
        what = "both at once" if column.level == BOTH_WAYS else column.way
    else:
        what = f"{across_factor} {column.level}, {column.way}" if column.level else column.way
    return f"{what}: {column.sender} → {column.receiver}" if column.sender else what
