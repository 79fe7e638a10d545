"""What each factor does, in words and as panels to draw. Pure, from the effects that results/ computes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from orchestrator.report.loss import OFFERED
from orchestrator.report.model import WAYS, Factor, Report
from orchestrator.results.statistics.effects import Change, Effects, Interplay, effects
from orchestrator.results.statistics.grid import Grid
from orchestrator.words.figures import Shown, listed, shown, significant
from orchestrator.words.plain_text import visible

# Effects of more levels than this take minutes and make tables that nobody reads.
GREATEST_CHANGES = 800
GREATEST_COLUMNS = 400
GREATEST_WORK = 2e9
INTERPLAY_LEVEL = 0.05
DEFAULT_THRESHOLD = 0.03
GREATEST_CLAUSES = 2
_GOODPUT = "goodput_bit_s"


def effects_of(trials: pd.DataFrame, factors: Sequence[Factor]) -> tuple[Effects, ...]:
    """The effects in a run's trials; () when the factors have too many levels for that."""
    if not len(trials) or too_many_levels(factors, int(trials["cell"].nunique())):
        return ()
    return tuple(effects(trials, [factor.name for factor in factors]))


def too_many_levels(factors: Sequence[Factor], cells: int) -> bool:
    """Whether effects are left out because of the number of levels and cells."""
    levels = [len(factor.levels) for factor in factors if factor.varies]
    columns = sum(levels) + sum(one * other for one, other in itertools.combinations(levels, 2))
    changes = sum((one - 1) * (1 + sum(levels) - one) for one in levels)
    work = cells * columns**2 * len(levels) ** 2
    return columns > GREATEST_COLUMNS or changes > GREATEST_CHANGES or work > GREATEST_WORK


def on_goodput(report: Report) -> list[Effects]:
    """The effects on goodput, one for each link and way: links in the plan's order, transmit before receive."""
    order = {link: place for place, link in enumerate(report.links)}
    found = [one for one in report.effects if one.response.column == _GOODPUT]
    return sorted(
        found,
        key=lambda one: (
            order.get(visible(one.link), len(order)),
            one.link,
            WAYS.index(one.way) if one.way in WAYS else len(WAYS),
        ),
    )


def threshold(report: Report) -> float:
    """The difference that matters, as the plan says."""
    said = report.run.get("threshold_ratio")
    return float(said) if isinstance(said, (int, float)) and 0 < said < 1 else DEFAULT_THRESHOLD


def change_text(change: Change, *, relative: bool = True, interval: bool = True) -> str:
    """`+27 % (24 to 30)`, without an interval when there is only one block; loss in points of percent."""
    if not math.isfinite(change.estimate):
        return "not measured"
    low, high = (None if end is None else 100 * end for end in (change.low, change.high))
    number = shown(100 * change.estimate, low, high, most_decimals=1)
    if not number.low:  # nothing says how many digits it deserves
        number = Shown(significant(100 * change.estimate, 2))
    unit = "%" if relative else "points"
    sign = "+" if change.estimate > 0 else ""
    text = f"{signed(sign + number.value)}\u202f{unit}"
    ends = f"{signed(number.low)} to {signed(number.high)}"
    return text + (f" ({ends})" if number.low and interval else "")


def signed(text: str) -> str:
    """A number as text with a true minus, and no sign before a zero."""
    return text.replace("-", "−") if text.strip("+-0.") else text.lstrip("+-")


def main_changes(found: Effects) -> list[Change]:
    """The changes over all other factors, those of the factors with the largest share first."""
    place = {term.factors[0]: rank for rank, term in enumerate(found.variation.terms) if len(term.factors) == 1}
    main = [change for change in found.changes if change.when is None]
    return sorted(main, key=lambda change: place.get(change.factor, len(place)))


def share_of(found: Effects, *factors: str) -> float | None:
    """The share of the variation that a factor or a pair of factors accounts for; None when it has no term."""
    return next((term.share for term in found.variation.terms if set(term.factors) == set(factors)), None)


def depends(found: Effects, change: Change, least: float) -> list[tuple[str, list[Change]]]:
    """(other factor, the change under each of its levels), where that differs surely and by what matters."""
    out = []
    for other in dict.fromkeys(_other(one, change) for one in found.interplays if _concerns(one, change, least)):
        under = [
            one
            for one in found.changes
            if one.factor == change.factor
            and one.level == change.level
            and one.when is not None
            and one.when[0] == other
        ]
        if len(under) > 1 and _spread(under) >= least:
            out.append((other, under))
    return out


def _concerns(one: Interplay, change: Change, least: float) -> bool:
    named = (one.factor == change.factor and one.level == change.level) or (
        one.other == change.factor and one.other_level == change.level
    )
    return named and one.p_value is not None and one.p_value < INTERPLAY_LEVEL and abs(one.estimate) >= least


def _other(one: Interplay, change: Change) -> str:
    return one.other if one.factor == change.factor else one.factor


def sentences(report: Report) -> list[str]:
    """Which factor matters most for each link and way, by how much, and on what that depends."""
    return [text for found in on_goodput(report) if (text := _sentence(report, found))]


def _sentence(report: Report, found: Effects) -> str:
    least = threshold(report)
    # That more arrives when more is offered is no finding; the table and the loss section show the intended load.
    changes = _strongest([change for change in main_changes(found) if change.factor != OFFERED])
    where = f"{found.way} over {found.link}" if len(report.links) > 1 else found.way
    named = [change for change in changes if _matters(found, change, least)][:GREATEST_CLAUSES]
    if named:
        parts = [_clause(found, change, least) for change in named]
        return (
            f"For {where}, {named[0].factor} matters most: {parts[0]}"
            + "".join(f"; then {change.factor}: {part}" for change, part in zip(named[1:], parts[1:], strict=True))
            + "."
        )
    unsure = [change for change in changes if abs(change.estimate) >= least and not _sure(change)]
    if unsure:
        largest = max(unsure, key=lambda change: abs(change.estimate))
        return (
            f"For {where}, the replicates are too few to say which factor matters; the largest change seen is that "
            f"of {largest.factor}: {largest.level} instead of {largest.reference}, {change_text(largest)}."
        )
    min_text = f"{100 * least:g}\u202f%"
    return f"For {where}, no factor was seen to change the goodput by {min_text} or more." if changes else ""


def _strongest(changes: Sequence[Change]) -> list[Change]:
    """Of each factor the level that changes most, in the order given."""
    best: dict[str, Change] = {}
    for change in changes:
        if math.isfinite(change.estimate) and (
            change.factor not in best or abs(change.estimate) > abs(best[change.factor].estimate)
        ):
            best[change.factor] = change
    return list(best.values())


def _sure(change: Change) -> bool:
    """Whether the interval lies on one side of no change."""
    return change.low is not None and change.high is not None and (change.low > 0 or change.high < 0)


def _matters(found: Effects, change: Change, least: float) -> bool:
    """Surely a change, and one that matters: over all, or under some level of another factor."""
    under = [part for _, parts in depends(found, change, least) for part in parts]
    return any(_sure(one) and abs(one.estimate) >= least for one in (change, *under))


def _clause(found: Effects, change: Change, least: float) -> str:
    instead = f"{change.level} instead of {change.reference} brings "
    under = depends(found, change, least)
    if not under:
        return instead + change_text(change)
    other, parts = max(under, key=lambda pair: _spread(pair[1]))
    return instead + listed([f"{change_text(part)} with {other} {part.when[1]}" for part in parts if part.when])


def _spread(changes: Sequence[Change]) -> float:
    return max(one.estimate for one in changes) - min(one.estimate for one in changes)


@dataclass(frozen=True)
class Panel:
    """An interaction to draw: mean goodput in bit/s for each level of `factor`, one line for each level of `other`."""

    factor: str
    levels: tuple[str, ...]
    other: str
    lines: tuple[tuple[str, tuple[float, ...]], ...]
    way: str
    link: str


def panels(report: Report, most: int) -> list[Panel]:
    """The pairs of factors that depend on each other most, the strongest first."""
    ranked = []
    for found in on_goodput(report):
        sure = [
            one
            for one in found.interplays
            if one.p_value is not None and one.p_value < INTERPLAY_LEVEL and abs(one.estimate) >= threshold(report)
        ]
        strongest: dict[tuple[str, str], float] = {}
        for one in sure:
            pair = (one.factor, one.other)
            strongest[pair] = max(strongest.get(pair, 0.0), abs(one.estimate))
        ranked += [(strength, found, pair) for pair, strength in strongest.items()]
    ranked.sort(key=lambda item: -item[0])
    made = [_panel(found, factor, other) for _, found, (factor, other) in ranked[:most]]
    return [panel for panel in made if panel is not None]


def _panel(found: Effects, factor: str, other: str) -> Panel | None:
    levels, others = found.grid.levels[factor], found.grid.levels[other]
    base = _mean_log(found.grid, factor, levels[0], other, others[0])
    if base is None:
        return None
    lines = []
    for at in others:
        start = 0.0 if at == others[0] else _log_change(found, other, at, (factor, levels[0]))
        steps = [0.0, *(_log_change(found, factor, level, (other, at)) for level in levels[1:])]
        lines.append((at, tuple(math.exp(base + start + step) for step in steps)))
    return Panel(factor, tuple(levels), other, tuple(lines), found.way, found.link)


def _log_change(found: Effects, factor: str, level: str, when: tuple[str, str]) -> float:
    """The change on the scale of logarithms; not a number when it was not measured."""
    for change in found.changes:
        if (change.factor, change.level, change.when) == (factor, level, when):
            return math.log1p(change.estimate) if change.estimate > -1 else math.nan
    return math.nan


def _mean_log(grid: Grid, factor: str, level: str, other: str, at: str) -> float | None:
    values = grid.restricted(factor, level).restricted(other, at).values
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else None
