"""What each factor does, on the page: the changes with their intervals, and where one depends on another."""

from __future__ import annotations

import math
from collections.abc import Sequence

from orchestrator.report.influence import (
    Panel,
    change_text,
    depends,
    main_changes,
    on_goodput,
    panels,
    share_of,
    threshold,
    too_many_levels,
)
from orchestrator.report.model import Report
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import plain_table
from orchestrator.report.page.svg import Span, dot, drawing, label, line, trace
from orchestrator.results.statistics.effects import CONVENTION, Change, Effects
from orchestrator.words.figures import rate_text, rate_unit, share_text, significant
from orchestrator.words.plain_text import shortened

GREATEST_PANELS = 6
GREATEST_LINES = 5
GREATEST_CHANGES = 60
_LEAST_SHARE = 0.001
_WIDTH, _HEIGHT, _LEFT, _BASE, _TOP = 340, 150, 40, 122, 14
_FOREST_WIDTH, _FOREST_HEIGHT = 150, 14


def section(report: Report) -> Markup | None:
    """The section, when a factor varied and something was measured."""
    found = on_goodput(report)
    if not found and too_many_levels(report.factors, len(report.cells)):
        return tag(
            "p",
            "The factors have too many levels for a table of what each of them does; the matrix shows the "
            "cells, and trials.csv holds every trial.",
        )
    if not found:
        return None
    drawn = [_panel(panel, len(report.links) > 1) for panel in panels(report, GREATEST_PANELS)]
    return joined(
        [
            tag("p", CONVENTION, class_="note"),
            *(_table(report, one) for one in found),
            tag("h3", "Where one depends on another") if drawn else None,
            tag("div", *drawn, class_="figures") if drawn else None,
            _others(report),
        ]
    )


def _title(report: Report, one: Effects) -> str:
    return f"{one.way} over {one.link}" if len(report.links) > 1 else one.way


def _table(report: Report, found: Effects) -> Markup:
    changes = [change for change in main_changes(found) if math.isfinite(change.estimate)][:GREATEST_CHANGES]
    reach = (
        max(
            [abs(end) for change in changes for end in (change.estimate, change.low, change.high) if end is not None],
            default=1.0,
        )
        or 1.0
    )
    rows = [
        (
            change.factor,
            f"{change.level} instead of {change.reference}",
            tag("span", change_text(change), class_="change"),
            forest(change, reach),
            _share(found, change),
            _depends(found, change, threshold(report)),
        )
        for change in changes
    ]
    return plain_table(
        f"Goodput, {_title(report, found)}; {_between_replicates(found)}",
        ("factor", "change of level", "goodput (95 % interval)", "", "share of variation", "depends on"),
        rows,
        "words",
    )


def _between_replicates(found: Effects) -> str:
    """What the factors do not account for; without a second block nothing tells it from their interplay."""
    if found.grid.values.shape[1] < 2 or not found.variation.rest_degrees:
        return "one replicate, so nothing says how far replicates differ"
    return f"{share_text(found.variation.rest_share)} of the variation lies between replicates"


def _share(found: Effects, change: Change) -> str:
    share = share_of(found, change.factor)
    if share is None:
        return ""
    return share_text(share) if share >= _LEAST_SHARE else f"under {share_text(_LEAST_SHARE)}"


def forest(change: Change, reach: float) -> Markup:
    """The estimate and its interval around zero."""
    axis = Span(-reach, reach, _FOREST_WIDTH - 8, 4)
    middle = _FOREST_HEIGHT / 2
    parts = [line(axis.at(0), 0, axis.at(0), _FOREST_HEIGHT, "axis-line")]
    if change.low is not None and change.high is not None:
        parts.append(line(axis.at(change.low), middle, axis.at(change.high), middle, "mean"))
    parts.append(dot(axis.at(change.estimate), middle, "valid", 4))
    return drawing(_FOREST_WIDTH, _FOREST_HEIGHT, *parts, class_="forest")


def _depends(found: Effects, change: Change, least: float) -> Markup:
    items = [
        tag(
            "li",
            f"{other}: "
            + ", ".join(f"{part.when[1]}\u00a0{change_text(part, interval=False)}" for part in under if part.when),
        )
        for other, under in depends(found, change, least)
    ]
    return tag("ul", *items, class_="plain") if items else Markup("")


def _panel(panel: Panel, name_link: bool) -> Markup:
    most = max((value for _, values in panel.lines for value in values if math.isfinite(value)), default=1.0)
    unit = rate_unit(most)
    upright = Span(0.0, most, -(_BASE - _TOP), _BASE)
    across = Span(0, max(1, len(panel.levels) - 1), _WIDTH - _LEFT - 60, _LEFT + 20)
    parts = [
        line(_LEFT, _BASE, _WIDTH - 10, _BASE, "axis-line"),
        label(_LEFT - 5, _BASE + 4, "0", anchor="end"),
        label(_LEFT - 5, _TOP + 4, significant(most / unit.size), anchor="end"),
    ]
    parts += [
        label(across.at(place), _BASE + 15, shortened(level, 14), anchor="middle")
        for place, level in enumerate(panel.levels)
    ]
    for number, (at, values) in enumerate(panel.lines[:GREATEST_LINES]):
        places = [(across.at(place), upright.at(value)) for place, value in enumerate(values) if math.isfinite(value)]
        parts.append(trace(places, f"curve c{number}"))
        parts += [
            dot(x, y, f"point c{number}", title=f"{panel.other} {at}: {rate_text(value)}")
            for (x, y), value in zip(places, (one for one in values if math.isfinite(one)), strict=True)
        ]
    key = tag(
        "ul",
        *(
            tag("li", drawing(34, 10, line(1, 5, 33, 5, f"curve c{number}")), shortened(f"{panel.other} {at}", 60))
            for number, (at, _) in enumerate(panel.lines[:GREATEST_LINES])
        ),
        class_="key",
    )
    where = f"{panel.way} over {panel.link}" if name_link else panel.way
    said = "; ".join(
        f"{panel.other} {at}: "
        + ", ".join(
            f"{level} {rate_text(value)}"
            for level, value in zip(panel.levels, values, strict=True)
            if math.isfinite(value)
        )
        for at, values in panel.lines
    )
    return tag(
        "figure",
        drawing(_WIDTH, _HEIGHT, *parts, title=said),
        key,
        tag(
            "figcaption",
            f"Goodput in {unit.name} by {panel.factor}, one line for each level of {panel.other}; {where}.",
        ),
    )


def _others(report: Report) -> Markup | None:
    """Loss and CPU: the same changes, closed until they are wanted."""
    rows = [row for one in report.effects if one.response.column != "goodput_bit_s" for row in _rows_of(report, one)][
        :GREATEST_CHANGES
    ]
    if not rows:
        return None
    table = plain_table(
        "Loss and CPU", ("what", "way", "factor", "change of level", "change (95 % interval)"), rows, "words"
    )
    return tag("details", tag("summary", "What each factor does to loss and CPU"), table)


def _rows_of(report: Report, one: Effects) -> Sequence[tuple[str, ...]]:
    return [
        (
            one.response.name,
            _title(report, one),
            change.factor,
            f"{change.level} instead of {change.reference}",
            change_text(change, relative=one.response.relative),
        )
        for change in main_changes(one)
    ]
