"""Loss against the intended load on the page: a drawing, and the table behind it."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.report.loss import Curve, curves
from orchestrator.report.model import Report
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import plain_table
from orchestrator.report.page.svg import Span, dot, drawing, label, line, trace
from orchestrator.words.figures import count_text, rate_text, rate_unit, share_text, significant
from orchestrator.words.plain_text import shortened

GREATEST_DRAWN = 5
GREATEST_TABLED = 40
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _BASE, _TOP = 640, 240, 52, 12, 200, 14


def section(report: Report) -> Markup | None:
    """The section, when UDP was offered at several rates."""
    found = curves(report)
    if not found:
        return None
    drawn = found[:GREATEST_DRAWN]
    caption = (
        f"The {len(drawn)} of {count_text(len(found), 'curve')} that lose most; " if len(drawn) < len(found) else ""
    ) + "mean of the valid trials of each cell."
    rows = [
        (
            curve.name,
            ", ".join(
                f"{rate_text(point.offered_load_bit_s)}: {share_text(point.loss_ratio)}" for point in curve.points
            ),
        )
        for curve in found[:GREATEST_TABLED]
    ]
    return joined(
        [
            tag("figure", _drawing(drawn), _key(drawn), tag("figcaption", caption), class_="wide"),
            plain_table("Loss at each offered payload rate", ("cells", "intended load: loss"), rows, "words"),
        ]
    )


def _drawing(drawn: Sequence[Curve]) -> Markup:
    most_rate = max(point.offered_load_bit_s for curve in drawn for point in curve.points)
    most_loss = max(0.001, *(curve.max_loss for curve in drawn))
    across = Span(0.0, most_rate, _WIDTH - _LEFT - _RIGHT, _LEFT)
    upright = Span(0.0, most_loss, -(_BASE - _TOP), _BASE)
    unit = rate_unit(most_rate)
    right, offered = _WIDTH - _RIGHT, f"{significant(most_rate / unit.size)} {unit.name} offered"
    parts = [
        line(_LEFT, _BASE, right, _BASE, "axis-line"),
        line(_LEFT, _TOP, _LEFT, _BASE, "axis-line"),
        label(_LEFT - 6, _BASE + 4, "0", anchor="end"),
        label(_LEFT - 6, _TOP + 5, share_text(most_loss), anchor="end"),
        label(_LEFT, _BASE + 16, "0"),
        label(right, _BASE + 16, offered, anchor="end"),
    ]
    for number, curve in enumerate(drawn):
        places = [(across.at(point.offered_load_bit_s), upright.at(point.loss_ratio)) for point in curve.points]
        parts.append(trace(places, f"curve c{number}"))
        parts += [
            dot(
                x,
                y,
                f"point c{number}",
                title=f"{curve.name}: {rate_text(point.offered_load_bit_s)} offered, "
                f"{share_text(point.loss_ratio)} lost",
            )
            for (x, y), point in zip(places, curve.points, strict=True)
        ]
    return drawing(_WIDTH, _HEIGHT - 16, *parts, title="Loss against the offered payload rate, as in the table below")


def _key(drawn: Sequence[Curve]) -> Markup:
    """Which line is which: by its dashes, not by colour alone."""
    samples = [
        tag("li", drawing(34, 10, line(1, 5, 33, 5, f"curve c{number}")), shortened(curve.name, 120))
        for number, curve in enumerate(drawn)
    ]
    return tag("ul", *samples, class_="key")
