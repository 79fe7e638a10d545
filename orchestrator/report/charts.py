"""Charts as files, SVG and PNG, for a ticket or a post; the page draws its own.

altair describes them and vl-convert draws them without a browser or the network. Foreign names enter as data and
titles only, never as field names, which vega would read as paths. altair's own HTML is not used: it writes data into a
script without escaping it. The same tables give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from orchestrator.report.influence import Panel, panels
from orchestrator.report.loss import curves
from orchestrator.report.matrix import Matrix, MatrixRow, arrange, column_label
from orchestrator.report.model import CellResult, Report
from orchestrator.report.page.markup import tag
from orchestrator.run_files import Folder
from orchestrator.words.figures import Unit, count_text, rate_unit
from orchestrator.words.plain_text import shortened

GREATEST_ROWS = 40
GREATEST_COLUMNS = 6
GREATEST_POINTS = 2000
GREATEST_PANELS = 4
PNG_SCALE = 2.0
# From the colours of Okabe and Ito those that keep 3:1 on white and stay apart in every kind of colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000")
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross")

Chart = Any  # altair's charts share no public base class
Spec = dict[str, Any]


def write_charts(report: Report, folder: Folder) -> list[Path]:
    """Draw every chart that the run allows into `folder`; their paths."""
    folder.make()
    out = []
    for name, make in CHARTS.items():
        made = make(report)
        if made is not None:
            title, chart = made
            out += _save(folder, name, title, chart)
    return out


def _save(folder: Folder, name: str, title: str, chart: Chart) -> list[Path]:
    import vl_convert

    # Not validated again: the descriptions are ours, and with a thousand points it takes longer than drawing.
    drawn = named(vl_convert.vegalite_to_svg(chart.to_dict(validate=False)), title)
    files: dict[str, str | bytes] = {f"{name}.svg": drawn, f"{name}.png": vl_convert.svg_to_png(drawn, scale=PNG_SCALE)}
    for file, content in files.items():
        folder.write(file, content)
    return [folder.at(file) for file in files]


def named(svg: str, title: str) -> str:
    """An SVG with a title that assistive technology reads."""
    opening, _, rest = svg.partition(">")
    return f'{opening} role="img">{tag("title", title)}{rest}'


def _altair() -> Any:
    import altair

    return altair


def _finished(chart: Chart, title: str, subtitle: str) -> Chart:
    return (
        chart.properties(title={"text": title, "subtitle": subtitle, "anchor": "start"}, background="white")
        .configure_view(stroke=None)
        .configure(font="sans-serif")
        .configure_axis(labelLimit=420, titleFontWeight="normal", gridColor="#e3e8ed")
        .configure_title(fontSize=14, subtitleFontSize=12, subtitleColor="#4a5866")
    )


def goodput(report: Report) -> tuple[str, Chart] | None:
    """Every cell's mean as a bar, with its interval and its ceiling."""
    matrix = arrange(report)
    unit = rate_unit(max([matrix.max_bit_s, *(cell.ceiling_bit_s or 0.0 for cell in matrix.cells())], default=0.0))
    rows, columns = matrix.rows[:GREATEST_ROWS], matrix.across[:GREATEST_COLUMNS]
    values = [
        _bar(_row_name(matrix, row), column_label(column, matrix.across_factor), cell, unit.size)
        for row in rows
        for column, cell in zip(columns, row.cells, strict=False)
        if cell is not None and cell.mean_bit_s is not None
    ]
    if not values:
        return None
    alt = _altair()
    names = [_row_name(matrix, row) for row in rows]
    heads = [shortened(column_label(column, matrix.across_factor), 60) for column in columns]
    base = alt.Chart().encode(y=alt.Y("name:N", sort=names, title=None))
    bars = base.mark_bar(color=COLOURS[0], height={"band": 0.7}).encode(
        x=alt.X("mean:Q", title=unit.name, scale=alt.Scale(zero=True))
    )
    reach = base.mark_rule(color=COLOURS[4], strokeWidth=1.5).encode(x="low:Q", x2="high:Q")
    ceiling = base.mark_tick(color=COLOURS[1], opacity=1, thickness=2.5, height={"band": 0.9}).encode(x="ceiling:Q")
    panels = (
        alt.layer(bars, reach, ceiling, data=alt.Data(values=values))
        .properties(width=max(160, 480 // len(heads)))
        .facet(column=alt.Column("column:N", sort=heads, title=None, header=alt.Header(labelFontSize=12)))
    )
    left_out = len(matrix.rows) - len(rows)
    about = "bar: mean, black line: 95 % interval, tick: ceiling" + (
        f"; {count_text(left_out, 'row')} more in cells.csv" if left_out else ""
    )
    title = f"Goodput of {shortened(report.run.get('plan_name', 'run'), 80)}"
    return title, _finished(panels, title, about)


def _row_name(matrix: Matrix, row: MatrixRow) -> str:
    named = [f"{factor.name} {level}" for factor, level in zip(matrix.down, row.levels, strict=True) if level]
    return shortened(", ".join(named) or "all", 90)


def _bar(name: str, column: str, cell: CellResult, size: float) -> Spec:
    def scaled(value: float | None) -> float | None:
        return None if value is None else value / size

    return {
        "name": name,
        "column": shortened(column, 60),
        "mean": scaled(cell.mean_bit_s),
        "low": scaled(cell.low_bit_s),
        "high": scaled(cell.high_bit_s),
        "ceiling": scaled(cell.ceiling_bit_s),
    }


def drift(report: Report) -> tuple[str, Chart] | None:
    """Every trial against the mean of its cell in the order of the run: a slope is a drift of the bench."""
    means = {cell.key: cell.mean_bit_s for cell in report.cells if cell.mean_bit_s}
    trials = report.data.trials[report.data.trials["goodput_bit_s"].notna()]
    trials = trials.iloc[:: max(1, -(-len(trials) // GREATEST_POINTS))]
    rows = zip(
        trials["cell"],
        trials["link"],
        trials["way"],
        trials["position"],
        trials["goodput_bit_s"],
        trials["status"],
        strict=True,
    )
    values = [
        {"position": int(position), "ratio": goodput_bit_s / means[cell, link, way] - 1.0, "status": status}
        for cell, link, way, position, goodput_bit_s, status in rows
        if (cell, link, way) in means
    ]
    if len(values) < 3:
        return None
    alt = _altair()
    chart = (
        alt.Chart(alt.Data(values=values))
        .mark_point(filled=True, size=28, opacity=0.9)
        .encode(
            x=alt.X("position:Q", title="place in the order of the run"),
            y=alt.Y("ratio:Q", title="against the cell's mean", axis=alt.Axis(format="+%")),
            shape=alt.Shape(
                "status:N", title=None, scale=alt.Scale(domain=["valid", "suspect"], range=list(SHAPES[:2]))
            ),
            color=alt.Color(
                "status:N", title=None, scale=alt.Scale(domain=["valid", "suspect"], range=list(COLOURS[:2]))
            ),
        )
    )
    title = "Trials over the run"
    return title, _finished(
        chart.properties(width=520, height=220), title, "each trial's goodput against the mean of its cell"
    )


def loss(report: Report) -> tuple[str, Chart] | None:
    """Loss against the intended load, one line per combination of the other factors."""
    every = curves(report)
    found = every[: len(COLOURS)]
    if not found:
        return None
    about = "mean of the valid trials of each cell" + (
        f"; the {len(found)} of {len(every)} curves that lose most" if len(every) > len(found) else ""
    )
    unit = rate_unit(max(point.offered_load_bit_s for curve in found for point in curve.points))
    values = [
        {"curve": shortened(curve.name, 60), "offered": point.offered_load_bit_s / unit.size, "loss": point.loss_ratio}
        for curve in found
        for point in curve.points
    ]
    alt = _altair()
    names = [shortened(curve.name, 60) for curve in found]
    legend = alt.Legend(title=None, orient="bottom", direction="vertical", labelLimit=520)
    base = alt.Chart(alt.Data(values=values)).encode(
        x=alt.X("offered:Q", title=f"offered payload rate in {unit.name}"),
        y=alt.Y("loss:Q", title="loss", axis=alt.Axis(format="%")),
        color=alt.Color("curve:N", legend=legend, scale=alt.Scale(domain=names, range=list(COLOURS))),
        shape=alt.Shape("curve:N", legend=legend, scale=alt.Scale(domain=names, range=list(SHAPES))),
    )
    points = base.mark_point(filled=True, size=50, opacity=1)
    title = "Loss against the intended load"
    return title, _finished((base.mark_line() + points).properties(width=520, height=260), title, about)


def interactions(report: Report) -> tuple[str, Chart] | None:
    """Where one factor depends on another: a panel per pair, a line per level of the other."""
    found = panels(report, GREATEST_PANELS)
    if not found:
        return None
    unit = rate_unit(
        max(value for panel in found for _, values in panel.lines for value in values if math.isfinite(value))
    )
    alt = _altair()
    title = "Where one factor depends on another"
    drawn = alt.concat(*(_panel(alt, panel, unit) for panel in found), columns=2).resolve_scale(
        color="independent", shape="independent"
    )
    return title, _finished(drawn, title, f"mean goodput in {unit.name} by level; parallel lines do not depend")


def _panel(alt: Any, panel: Panel, unit: Unit) -> Chart:
    lines = panel.lines[: len(COLOURS)]
    names = [shortened(f"{panel.other} {at}", 40) for at, _ in lines]
    values = [
        {"level": shortened(level, 40), "line": name, "goodput": value / unit.size}
        for name, (_, by_level) in zip(names, lines, strict=True)
        for level, value in zip(panel.levels, by_level, strict=True)
        if math.isfinite(value)
    ]
    base = alt.Chart(alt.Data(values=values)).encode(
        x=alt.X(
            "level:N",
            sort=[shortened(level, 40) for level in panel.levels],
            title=shortened(panel.factor, 60),
            axis=alt.Axis(labelAngle=0),
        ),
        y=alt.Y("goodput:Q", title=unit.name, scale=alt.Scale(zero=True)),
        color=alt.Color("line:N", title=None, scale=alt.Scale(domain=names, range=list(COLOURS))),
        shape=alt.Shape("line:N", title=None, scale=alt.Scale(domain=names, range=list(SHAPES))),
    )
    points = base.mark_point(filled=True, size=60, opacity=1)
    return (base.mark_line() + points).properties(
        width=240, height=170, title={"text": shortened(panel.way, 60), "fontSize": 12}
    )


CHARTS: dict[str, Callable[[Report], tuple[str, Chart] | None]] = {
    "goodput": goodput,
    "interactions": interactions,
    "drift": drift,
    "loss": loss,
}
