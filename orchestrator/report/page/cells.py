"""The details of each cell: what limited it, the spread of its replicates, goodput over time, the cores."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from orchestrator.report.evidence import Cores, Evidence, Replicate
from orchestrator.report.model import CellResult, Report
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.svg import Span, dot, drawing, label, line, square, trace, whole
from orchestrator.results.over_time import Point
from orchestrator.words.figures import count_text, duration_text, rate_text, rate_unit, share_text, shown, significant
from orchestrator.words.plain_text import shortened

# Beyond these a page grows too large to open at once; the tables hold everything.
GREATEST_CELLS = 400
GREATEST_TRIALS = 2000
_WIDTH, _STRIP_HEIGHT, _SERIES_HEIGHT = 340, 74, 110
_LEFT, _BOTTOM = 44, 16
_LONG_S = 100.0  # from here on a time is told in minutes or hours


def details_of(report: Report) -> frozenset[int]:
    """The numbers of the cells that get details."""
    chosen: set[int] = set()
    trials = 0
    for cell in report.cells:
        if cell.number not in chosen and len(chosen) >= GREATEST_CELLS:
            break
        trials += cell.asked
        if trials > GREATEST_TRIALS and chosen:
            break
        chosen.add(cell.number)
    return frozenset(chosen)


def section(report: Report, evidence: Evidence, causes: Mapping[tuple[int, str, str], Markup]) -> Markup:
    """All cells that get details, each closed until it is wanted."""
    chosen = details_of(report)
    by_number: dict[int, list[CellResult]] = {}
    for cell in report.cells:
        by_number.setdefault(cell.number, []).append(cell)
    shown_cells = [
        _cell(report, number, cells, evidence, causes) for number, cells in by_number.items() if number in chosen
    ]
    left_out = len(by_number) - len(chosen)
    more = f"The details of {count_text(left_out, 'further cell')} are in trials.csv and series.csv.gz."
    return joined(
        [
            tag(
                "p",
                tag("button", "open all", type="button", data_open="all"),
                " ",
                tag("button", "close all", type="button", data_open="none"),
                class_="tools",
                hidden=True,
            ),
            *shown_cells,
            tag("p", more, class_="note") if left_out else None,
        ]
    )


@dataclass(frozen=True)
class _Scene:
    """One cell and way with what was seen of it."""

    cell: CellResult
    replicates: Sequence[Replicate]
    evidence: Evidence
    most_bit_s: float


def _cell(
    report: Report,
    number: int,
    cells: Sequence[CellResult],
    evidence: Evidence,
    causes: Mapping[tuple[int, str, str], Markup],
) -> Markup:
    parts = []
    for cell in cells:
        replicates = evidence.replicates.get(cell.key, ())
        most = max([cell.ceiling_bit_s or 0.0, *(one.goodput_bit_s or 0.0 for one in replicates)], default=0.0)
        parts.append(_way(_Scene(cell, replicates, evidence, most), causes.get(cell.key)))
    return tag("details", _summary(report, number, cells), *parts, id=f"cell-{number}")


def _summary(report: Report, number: int, cells: Sequence[CellResult]) -> Markup:
    first = cells[0]
    levels = ", ".join(
        f"{factor.name} {first.levels[factor.name]}"
        for factor in report.factors
        if factor.varies and first.levels[factor.name]
    )
    figures = ", ".join(rate_text(cell.mean_bit_s) if cell.mean_bit_s is not None else cell.state for cell in cells)
    return tag(
        "summary",
        tag("span", f"cell {number}", class_="number"),
        " ",
        tag("span", levels or first.link),
        " ",
        tag("b", figures),
    )


def _way(scene: _Scene, cause: Markup | None) -> Markup:
    cell = scene.cell
    # The scale of the three drawings, and where the reader finds the same as figures, is in the table below them.
    figures = [figure for figure in (_spread(scene), _over_time(scene), _cores(scene)) if figure]
    return tag(
        "section",
        tag("h3", f"{cell.link}, {cell.way}: {cell.sender} → {cell.receiver}"),
        tag("p", _sentence(cell)),
        cause,
        tag("div", *figures, class_="figures") if figures else None,
        _table(scene) if scene.replicates else None,
    )


def _sentence(cell: CellResult) -> str:
    if cell.mean_bit_s is None:
        return f"{cell.state}: {cell.reason}" if cell.reason else f"{cell.state}."
    unit = rate_unit(cell.mean_bit_s)
    number = shown(cell.mean_bit_s, cell.low_bit_s, cell.high_bit_s, unit.size)
    text = f"{number.value} {unit.name}"
    if number.interval:
        text += f" (95 % interval {number.interval})"
    text += f" from {count_text(cell.valid, 'valid trial')} of {cell.asked}"
    if cell.fill is not None and cell.ceiling_bit_s:
        text += f"; {share_text(cell.fill)} of the ceiling of {rate_text(cell.ceiling_bit_s, 4)}"
    return f"{text}. {cell.reason}".strip()


def _figure(drawn: Markup, caption: str) -> Markup:
    return tag("figure", drawn, tag("figcaption", caption))


def _rate_axis(scene: _Scene, height: float) -> tuple[Span, list[Markup]]:
    """The upright axis from 0 to the ceiling, with its two ends named."""
    axis = Span(0.0, scene.most_bit_s, -(height - _BOTTOM - 8), height - _BOTTOM)
    unit = rate_unit(scene.most_bit_s)
    base = axis.at(0)
    parts = [line(_LEFT, base, _WIDTH, base, "axis-line"), label(_LEFT - 5, base + 4, "0", anchor="end")]
    if scene.cell.ceiling_bit_s:
        top = axis.at(scene.cell.ceiling_bit_s)
        parts += [
            line(_LEFT, top, _WIDTH, top, "ceiling"),
            label(_LEFT - 5, top + 4, significant(scene.cell.ceiling_bit_s / unit.size), anchor="end"),
        ]
    return axis, parts


def _spread(scene: _Scene) -> Markup | None:
    """Every replicate on one line, from lowest to highest: circles are valid, squares are not."""
    seen = [one for one in scene.replicates if one.goodput_bit_s is not None]
    if not seen:
        return None
    values = [one.goodput_bit_s or 0.0 for one in seen]
    cell, least, most = scene.cell, min(values), max(values)
    room = (most - least) * 0.15 or most * 0.01 or 1.0
    axis = Span(least - room, most + room, _WIDTH - 2 * 10, 10)
    middle = 30.0
    parts = [line(10, middle, _WIDTH - 10, middle, "axis-line")]
    if cell.mean_bit_s is not None:
        if cell.low_bit_s is not None and cell.high_bit_s is not None:
            low, high = axis.at(cell.low_bit_s), axis.at(cell.high_bit_s)
            parts.append(
                tag(
                    "rect",
                    class_="interval",
                    x=whole(low),
                    y=whole(middle - 11),
                    width=whole(max(1.0, high - low)),
                    height=22,
                )
            )
        mean = axis.at(cell.mean_bit_s)
        parts.append(line(mean, middle - 13, mean, middle + 13, "mean"))
    unit = rate_unit(most)
    for one in seen:
        about = f"trial {one.trial}: {rate_text(one.goodput_bit_s or 0.0, 4)}, {one.status}"
        draw = dot if one.status == "valid" else square
        parts.append(draw(axis.at(one.goodput_bit_s or 0.0), middle, one.status, title=about))
    parts += [
        label(axis.at(least), 62, f"{significant(least / unit.size, 4)}", anchor="start"),
        label(axis.at(most), 62, f"{significant(most / unit.size, 4)} {unit.name}", anchor="end"),
    ]
    title = f"{count_text(len(seen), 'replicate')} from {rate_text(least, 4)} to {rate_text(most, 4)}"
    return _figure(
        drawing(_WIDTH, _STRIP_HEIGHT, *parts, title=title),
        "Replicates: circles are valid, squares are not; the line is the mean, the band its interval.",
    )


def _over_time(scene: _Scene) -> Markup | None:
    lines = [
        (one, scene.evidence.series[one.trial, scene.cell.link, scene.cell.way])
        for one in scene.replicates
        if (one.trial, scene.cell.link, scene.cell.way) in scene.evidence.series
    ]
    broken_off = [
        points
        for one in scene.replicates
        for points in scene.evidence.broken_off.get((one.trial, scene.cell.link, scene.cell.way), ())
        if points
    ]
    if not lines and not broken_off:
        return None
    seconds = max(points[-1].t_s for points in (*(points for _, points in lines), *broken_off))
    across = Span(0.0, seconds, _WIDTH - _LEFT - 4, _LEFT)
    axis, parts = _rate_axis(scene, _SERIES_HEIGHT)
    together = any(_holds_several(points) for _, points in lines)
    if together:
        parts += [_band(points, across, axis) for _, points in lines]
    drawn = [
        *((f"trace {one.status}", points) for one, points in lines),
        *(("trace broken-off", points) for points in broken_off),
    ]
    parts += [
        trace([(across.at(point.t_s), axis.at(point.mean_bit_s)) for point in points], class_)
        for class_, points in drawn
    ]
    long = duration_text(seconds) if seconds >= _LONG_S else f"{significant(seconds, 2)} s"
    parts.append(label(_WIDTH - 4, _SERIES_HEIGHT - 3, long, anchor="end"))
    title = f"Goodput over {long} in {count_text(len(lines), 'trial')}"
    words = (
        f"Goodput in {rate_unit(scene.most_bit_s).name} over the window, one line per trial; the dashed line is "
        "the ceiling."
    )
    if together:
        words += " The band reaches from the lowest to the highest of the intervals of 0.1 s that make a point."
    if broken_off:
        words += " Dotted: attempts that were broken off, which are in no figure."
    return _figure(drawing(_WIDTH, _SERIES_HEIGHT, *parts, title=title), words)


def _holds_several(points: Sequence[Point]) -> bool:
    """Whether a point stands for more than one interval."""
    return any(point.min_bit_s < point.most_bit_s for point in points)


def _band(points: Sequence[Point], across: Span, axis: Span) -> Markup:
    """From the lowest to the highest of each point's intervals."""
    there = [(across.at(point.t_s), axis.at(point.most_bit_s)) for point in points]
    back = [(across.at(point.t_s), axis.at(point.min_bit_s)) for point in reversed(points)]
    return trace([*there, *back], "spread")


def _cores(scene: _Scene) -> Markup | None:
    hosts = [
        (host, cores)
        for (key, host), cores in scene.evidence.cores.items()
        if key == (scene.cell.number, scene.cell.link) and cores
    ]
    if not hosts:
        return None
    base = _SERIES_HEIGHT - _BOTTOM
    axis = Span(0.0, 1.0, -(base - 20), base)
    room = (_WIDTH - _LEFT) / len(hosts)
    parts = [
        line(_LEFT, axis.at(1), _WIDTH, axis.at(1), "ceiling"),
        line(_LEFT, base, _WIDTH, base, "axis-line"),
        label(_LEFT - 5, axis.at(1) + 4, "100 %", anchor="end"),
        label(_LEFT - 5, base + 3, "0", anchor="end"),
    ]
    for place, (host, cores) in enumerate(hosts):
        parts += _core_bars(host, cores, _LEFT + place * room, room - 12, axis)
    title = "; ".join(_busiest(host, cores) for host, cores in hosts)
    return _figure(
        drawing(_WIDTH, _SERIES_HEIGHT, *parts, title=title),
        "Cores of each host, mean over the trials: how busy; the lower part is softirq and interrupts.",
    )


def _core_bars(host: str, cores: Sequence[Cores], left: float, room: float, axis: Span) -> list[Markup]:
    width = min(24.0, room / len(cores))
    base = axis.at(0.0)
    parts = [label(left + 2, 12, shortened(host, 20), "strong")]
    for place, core in enumerate(cores):
        at = left + place * width
        for share, class_ in ((core.busy, "busy"), (core.softirq, "softirq")):
            top = axis.at(share)
            parts.append(
                tag(
                    "rect",
                    class_=class_,
                    x=whole(at + 1),
                    y=whole(top),
                    width=whole(max(0.8, width - 3)),
                    height=whole(base - top),
                )
            )
        if width >= 12:
            parts.append(label(at + width / 2, _SERIES_HEIGHT - 4, str(core.core), anchor="middle"))
    return parts


def _busiest(host: str, cores: Sequence[Cores]) -> str:
    busiest = max(cores, key=lambda core: core.busy)
    return (
        f"busiest core of {host}: {busiest.core}, {share_text(busiest.busy)} busy, {share_text(busiest.softirq)} "
        "in softirq and interrupts"
    )


def _table(scene: _Scene) -> Markup:
    """The same as figures: one row per trial."""
    unit = rate_unit(scene.most_bit_s)
    columns = [name for name in Replicate.OPTIONAL if any(getattr(one, name) is not None for one in scene.replicates)]
    reasons = ["reason"] if any(one.reason for one in scene.replicates) else []
    head = tag(
        "tr",
        *(
            tag("th", text, scope="col")
            for text in (
                "trial",
                f"goodput, {unit.name}",
                *(Replicate.OPTIONAL[name] for name in columns),
                "status",
                *reasons,
            )
        ),
    )
    rows = [
        tag(
            "tr",
            tag("th", str(one.trial), scope="row"),
            tag("td", significant(one.goodput_bit_s / unit.size, 4) if one.goodput_bit_s is not None else ""),
            *(tag("td", one.text_of(name)) for name in columns),
            tag("td", one.status),
            tag("td", one.reason, class_="words") if reasons else None,
        )
        for one in scene.replicates
    ]
    return tag(
        "div",
        tag("table", tag("caption", "Its trials"), tag("thead", head), tag("tbody", *rows), class_="trials"),
        class_="scroll",
        tabindex="0",
        role="region",
        aria_label="Its trials",
    )
