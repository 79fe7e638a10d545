"""Small drawings for the page: plain SVG without scripts, styled by the page's CSS, so that they follow light and dark.

Pure. Geometry is in attributes, never in `style`, because the page's content security policy allows no inline styles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.report.page.markup import Markup, joined, tag

BAR_HEIGHT = 7
_BAR_WIDTH = 100


def whole(value: float) -> str:
    """A coordinate without needless digits."""
    return f"{value:.1f}".removesuffix(".0")


@dataclass(frozen=True)
class Span:
    """A linear axis: values from `least` to `most` over `pixels`, starting at `start`."""

    min: float
    max: float
    pixels: float
    start: float = 0.0

    def at(self, value: float) -> float:
        """Where a value stands; values outside stand at the end they left by."""
        width = self.max - self.min
        share = (value - self.min) / width if width > 0 else 0.5
        return self.start + self.pixels * min(1.0, max(0.0, share))


def drawing(width: float, height: float, *parts: Markup | None, title: str = "", class_: str = "") -> Markup:
    """An SVG figure with an accessible name; hidden from assistive technology when it has none."""
    named: dict[str, object] = {"role": "img", "aria_label": title} if title else {"aria_hidden": "true"}
    return tag(
        "svg",
        joined(parts),
        viewBox=f"0 0 {whole(width)} {whole(height)}",
        width=whole(width),
        height=whole(height),
        class_=class_ or None,
        **named,
    )


def fill_bar(fill: float, low: float | None = None, high: float | None = None) -> Markup:
    """A bar whose right end is the ceiling: how much of it was used, and the interval as a thin line across.

    All shares of the ceiling. The figure stands beside it as text, so the bar itself is silent.
    """
    axis = Span(0.0, 1.0, _BAR_WIDTH)
    parts = [
        tag("rect", class_="track", width=_BAR_WIDTH, height=BAR_HEIGHT),
        tag("rect", class_="got", width=whole(axis.at(fill)), height=BAR_HEIGHT),
    ]
    if low is not None and high is not None and high - low > 0.01:
        middle = whole(BAR_HEIGHT / 2)
        parts.append(tag("path", class_="reach", d=f"M{whole(axis.at(low))} {middle}H{whole(axis.at(high))}"))
    parts.append(tag("path", class_="ceiling", d=f"M{_BAR_WIDTH} 0V{BAR_HEIGHT}"))
    return tag(
        "svg",
        joined(parts),
        class_="bar",
        viewBox=f"0 0 {_BAR_WIDTH} {BAR_HEIGHT}",
        preserveAspectRatio="none",
        aria_hidden="true",
    )


def trace(points: Sequence[tuple[float, float]], class_: str) -> Markup:
    """A line through points, written as short relative steps."""
    if not points:
        return Markup("")
    at_x, at_y = round(points[0][0]), round(points[0][1])
    steps = [f"M{at_x} {at_y}"]
    for x, y in points[1:]:
        step_x, step_y = round(x) - at_x, round(y) - at_y
        at_x, at_y = at_x + step_x, at_y + step_y
        steps.append(f"l{step_x} {step_y}" if step_y >= 0 else f"l{step_x}{step_y}")
    return tag("path", class_=class_, d="".join(steps))


def label(x: float, y: float, text: str, class_: str = "", anchor: str = "") -> Markup:
    """Text in a drawing; `anchor` is middle or end: a class, since a page has thousands of them."""
    classes = " ".join(filter(None, (class_, anchor)))
    return tag("text", text, x=whole(x), y=whole(y), class_=classes or None)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    """A straight line."""
    return tag("line", x1=whole(x1), y1=whole(y1), x2=whole(x2), y2=whole(y2), class_=class_)


def dot(x: float, y: float, class_: str, radius: float = 3, title: str = "") -> Markup:
    """A point; `title` is shown when the pointer rests on it."""
    return tag(
        "circle", tag("title", title) if title else None, cx=whole(x), cy=whole(y), r=whole(radius), class_=class_
    )


def square(x: float, y: float, class_: str, half: float = 3, title: str = "") -> Markup:
    """A point of another shape, for trials that are not valid: shape tells, not colour alone."""
    return tag(
        "rect",
        tag("title", title) if title else None,
        x=whole(x - half),
        y=whole(y - half),
        width=whole(2 * half),
        height=whole(2 * half),
        class_=class_,
    )
