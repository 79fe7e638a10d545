"""The matrix on the page: a real table, filters by factor, and the legend of its heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.report.limits import Causes, short
from orchestrator.report.matrix import DIRECTION, Across, Matrix, MatrixRow, column_label
from orchestrator.report.model import CellResult, Factor
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.scale import STEPS, Scale, scale_of
from orchestrator.report.page.svg import fill_bar
from orchestrator.words.figures import Unit, count_text, rate_unit, share_text, shown, significant

GREATEST_UNBROKEN = 28
GREATEST_FIGURES = 2000
NOT_APPLICABLE = "–"


def section(matrix: Matrix, with_details: frozenset[int], causes: Causes) -> Markup:
    """The section; cells in `with_details` are linked to their details."""
    if not matrix.rows:
        return tag("p", "There is no cell to show.")
    unit = rate_unit(matrix.max_bit_s)
    scale = scale_of([cell.mean_bit_s for cell in matrix.cells() if cell.mean_bit_s is not None])
    rows = matrix.rows[: max(1, GREATEST_FIGURES // max(1, len(matrix.across)))]
    head = tag("thead", tag("tr", *_level_heads(matrix), *_figure_heads(matrix)))
    body = tag("tbody", *_body(matrix, rows, _Look(unit, scale, with_details, causes)))
    table = tag("table", _caption(matrix, unit), head, body, id="matrix-table", class_="matrix")
    left_out = len(matrix.rows) - len(rows)
    return joined(
        [
            _filters(matrix),
            _legend(scale, unit),
            tag("div", table, class_="scroll", tabindex="0", role="region", aria_label="The matrix, scrolls sideways"),
            tag("p", f"{count_text(left_out, 'row')} more are not drawn here; they are in cells.csv.", class_="note")
            if left_out
            else None,
        ]
    )


@dataclass(frozen=True)
class _Look:
    """What every figure needs to be drawn."""

    unit: Unit
    scale: Scale
    with_details: frozenset[int]
    causes: Causes


def _caption(matrix: Matrix, unit: Unit) -> Markup:
    fixed = ", ".join(f"{name} {level}" for name, level in matrix.fixed)
    return tag(
        "caption",
        tag(
            "span",
            tag("strong", f"Goodput in {unit.name}"),
            ": the mean of the valid trials, its "
            "95 % interval, and how much of the ceiling it fills; the bar's right end is the ceiling.",
            f" Everywhere: {fixed}." if fixed else None,
        ),
    )


def _level_heads(matrix: Matrix) -> list[Markup]:
    return [tag("th", _sorter(factor.name), scope="col", class_=_level_class(factor.name)) for factor in matrix.down]


def _level_class(text: str, *, same: bool = False) -> str:
    """A name that is too long for one line may be broken anywhere, so that the figures stay in sight."""
    return "level" + (" long" if len(text) > GREATEST_UNBROKEN else "") + (" same" if same else "")


def _figure_heads(matrix: Matrix) -> list[Markup]:
    return [tag("th", _sorter(*_two_lines(column, matrix)), scope="col", class_="figure") for column in matrix.across]


def _two_lines(column: Across, matrix: Matrix) -> tuple[str, Markup | None]:
    head, _, ends = column_label(column, matrix.across_factor).partition(": ")
    return head, tag("span", ends, class_="ends") if ends else None


def _sorter(text: str, more: Markup | None = None) -> Markup:
    """A column's name; the page's script makes it a button that sorts."""
    return tag("span", text, more, class_="sorter")


def _body(matrix: Matrix, rows: Sequence[MatrixRow], look: _Look) -> list[Markup]:
    ranks = [{level: rank for rank, level in enumerate(factor.levels)} for factor in matrix.down]
    out = []
    before: tuple[str, ...] = ()
    for row in rows:
        out.append(tag("tr", *_levels(matrix, row, before, ranks), *(_figure(cell, look) for cell in row.cells)))
        before = row.levels
    return out


def _levels(matrix: Matrix, row: MatrixRow, before: tuple[str, ...], ranks: Sequence[dict[str, int]]) -> list[Markup]:
    out = []
    same = bool(before)
    for place, (factor, level) in enumerate(zip(matrix.down, row.levels, strict=True)):
        same = same and before[place] == level
        out.append(
            tag(
                "th",
                level or NOT_APPLICABLE,
                scope="row",
                class_=_level_class(level, same=same),
                data_v=ranks[place].get(level, 0),
                title=None if level else f"{factor.name} does not apply",
            )
        )
    return out


def _figure(cell: CellResult | None, look: _Look) -> Markup:
    if cell is None:
        return tag("td", tag("span", NOT_APPLICABLE, title="the plan leaves this cell out"), class_="none", data_v="-1")
    if cell.mean_bit_s is None:
        why = tag("span", cell.reason, class_="why") if cell.reason else None
        return tag("td", _linked(cell, cell.state, look), why, class_=f"state {cell.state}", data_v="-1")
    number = shown(cell.mean_bit_s, cell.low_bit_s, cell.high_bit_s, look.unit.size)
    return tag(
        "td",
        _linked(cell, number.value, look),
        tag("span", number.interval, class_="interval"),
        _bar(cell),
        *(tag("span", line, class_="small") for line in _small_print(cell)),
        _cause(cell, look),
        class_=f"h{look.scale.step(cell.mean_bit_s)}",
        data_v=f"{cell.mean_bit_s:.6g}",
    )


def _cause(cell: CellResult, look: _Look) -> Markup | None:
    words = short(look.causes.get(cell.key))
    return tag("span", words, class_="small limit") if words else None


def _linked(cell: CellResult, text: str, look: _Look) -> Markup:
    if cell.number not in look.with_details:
        return tag("b", text)
    return tag("a", text, href=f"#cell-{cell.number}", aria_label=f"{text}, details of cell {cell.number}")


def _bar(cell: CellResult) -> Markup | None:
    if cell.fill is None or not cell.ceiling_bit_s:
        return None
    low, high = ((cell.low_bit_s or 0) / cell.ceiling_bit_s, (cell.high_bit_s or 0) / cell.ceiling_bit_s)
    return fill_bar(cell.fill, low, high) if cell.low_bit_s is not None else fill_bar(cell.fill)


def _small_print(cell: CellResult) -> list[str]:
    fill = f"{share_text(cell.fill)} · " if cell.fill is not None else ""
    lines = [fill + (f"n {cell.valid}" if cell.valid == cell.asked else f"n {cell.valid} of {cell.asked}")]
    lines.extend(f"{number} {status}" for status, number in cell.counts.items() if number and status != "valid")
    if cell.loss_ratio:
        lines.append(f"loss {share_text(cell.loss_ratio)}")
    if cell.noted:
        lines.append(f"{cell.noted} with a doubt")
    return lines


def _legend(scale: Scale, unit: Unit) -> Markup | None:
    if scale.max <= 0:
        return None
    if scale.alike:
        return tag("p", "All figures lie within 2 % of each other, so they share one shade.", class_="legend")
    steps = [tag("span", class_=f"h{step}") for step in range(STEPS)]
    return tag(
        "p",
        tag("span", significant(scale.min / unit.size), class_="end"),
        tag("span", *steps, class_="steps", aria_hidden="true"),
        tag("span", f"{significant(scale.max / unit.size)} {unit.name}", class_="end"),
        tag("span", "shade: lowest to highest goodput", class_="note"),
        class_="legend",
    )


def _filters(matrix: Matrix) -> Markup:
    """One group of check boxes per factor; hidden until the page's script can act on them."""
    groups = [_filter_group(factor, column) for column, factor in enumerate(matrix.down)]
    groups.append(_across_group(matrix))
    return tag(
        "form",
        *groups,
        tag(
            "p", tag("button", "show all", type="reset"), " ", tag("output", "", id="matrix-count", aria_live="polite")
        ),
        id="matrix-filter",
        class_="filter",
        hidden=True,
        aria_label="Show only some rows and columns",
    )


def _filter_group(factor: Factor, column: int) -> Markup:
    boxes = [
        tag(
            "label",
            tag("input", type="checkbox", checked=True, data_column=column, value=rank),
            level or "does not apply",
        )
        for rank, level in enumerate(factor.levels)
    ]
    return tag("fieldset", tag("legend", factor.name), *boxes)


def _across_group(matrix: Matrix) -> Markup:
    boxes = [
        tag(
            "label",
            tag("input", type="checkbox", checked=True, data_across=len(matrix.down) + place),
            column_label(column, matrix.across_factor),
        )
        for place, column in enumerate(matrix.across)
    ]
    return tag("fieldset", tag("legend", matrix.across_factor or DIRECTION), *boxes)
