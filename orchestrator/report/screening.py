"""A screen in words: which of many factors matter, and what the measured fraction cannot tell apart. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from orchestrator.planning.fraction import effect_name
from orchestrator.report.influence import change_text, threshold
from orchestrator.report.model import Report
from orchestrator.results.statistics.effects import Change
from orchestrator.results.statistics.screen import Screen, ScreenEffect
from orchestrator.words.figures import count_text, listed

GREATEST_CLAUSES = 3


@dataclass(frozen=True)
class Found:
    """One group of effects: its names, the change as in the other sections, and whether it surely matters."""

    names: tuple[str, ...]
    about: str
    change: Change
    single: bool
    sure: bool
    matters: bool


def findings(screen: Screen, least: float) -> list[Found]:
    """The groups of a screen, the greatest change first; none where nothing can be said."""
    if screen.found is None:
        return []
    return [_found(screen, effect, least) for effect in screen.found.effects]


def _found(screen: Screen, effect: ScreenEffect, least: float) -> Found:
    single = len(effect.factors) == 1
    name = effect_name(screen.design, effect.factors)
    reference, level = screen.levels[name] if single else ("", "")
    ends = [None if end is None else math.expm1(end) for end in (effect.low, effect.high)]
    change = Change(name, level, reference, None, math.expm1(effect.difference), ends[0], ends[1], screen.blocks)
    names = (name, *(effect_name(screen.design, alias) for alias in effect.aliases))
    sure = effect.low is not None and effect.high is not None and (effect.low > 0 or effect.high < 0)
    about = f"{level} instead of {reference}" if single else "more at levels alike than at levels unlike"
    return Found(names, about, change, single, sure, sure and abs(change.estimate) >= least)


def sentences(report: Report) -> list[str]:
    """What each screen found, and what it is: first things first."""
    return [text for screen in report.screens for text in _sentences(report, screen)]


def where_of(report: Report, screen: Screen) -> str:
    """`transmit over uplink`, as far as there is a choice."""
    over = f" over {screen.link}" if len(report.links) > 1 else ""
    return f"{screen.way or 'whichever way'}{over}"


def _sentences(report: Report, screen: Screen) -> list[str]:
    least = threshold(report)
    min_text = f"{100 * least:g}\u202f%"
    count = count_text(len(screen.design.factors), "factor")
    where = where_of(report, screen)
    if screen.found is None:
        return [
            f"The screen of {count} ({where}) says nothing: no block has a valid trial of each of its "
            f"{len(screen.design.runs)} cells"
            + (f"; never valid: cells {listed(list(map(str, screen.missing)))}" if screen.missing else "")
            + "."
        ]
    found = findings(screen, least)
    if screen.found.deviation is None:
        largest = f"{found[0].names[0]} shows the largest change, {change_text(found[0].change)}"
        lacking = (
            f" ({_lacking(screen)}; `linktrial resume` with --again suspect,failed measures them again)"
            if screen.blocks < screen.of_blocks
            else ""
        )
        doubt = f"one block{lacking} cannot say whether it is more than chance"
        return [f"Of {count} screened ({where}), {largest}; {doubt}."]
    mains = [one for one in found if one.single and one.matters]
    pairs = [one for one in found if not one.single and one.matters]
    rest = [one.change.factor for one in found if one.single and not one.matters]
    out = []
    if mains:
        brings = "; ".join(f"{one.change.factor}, {one.about} brings {change_text(one.change)}" for one in mains)
        changed = f"{len(mains)} change{'s' if len(mains) == 1 else ''} the goodput by {min_text} or more"
        out.append(f"Of {count} screened ({where}), {changed}: {brings}.")
    else:
        out.append(f"Of {count} screened ({where}), none was seen to change the goodput by {min_text} or more.")
    if pairs:
        said = [f"{' = '.join(one.names)}: {change_text(one.change)}" for one in pairs[:GREATEST_CLAUSES]]
        out.append(f"Factors act together. {'; '.join(said)}. What is joined by = cannot be told apart.")
    if mains and rest:
        out.append(
            f"To see how {listed([one.change.factor for one in mains])} act{'s' if len(mains) == 1 else ''} "
            f"in full, vary {'it' if len(mains) == 1 else 'them'} in a plan without screen and hold "
            f"{listed(rest)} at one level each."
        )
    return out


def _lacking(screen: Screen) -> str:
    lacking = screen.of_blocks - screen.blocks
    return f"{lacking} of {screen.of_blocks} blocks lack{'s' if lacking == 1 else ''} a valid trial of some cell"


def about(screen: Screen) -> str:
    """What was measured, as one paragraph."""
    runs, every = len(screen.design.runs), 2 ** len(screen.design.factors)
    of_blocks = "" if screen.blocks == screen.of_blocks else f"; {_lacking(screen)}, and count for nothing"
    spread = {
        "blocks": "from one figure per block, since trials of a block share an application of costly levels",
        "blocked": "from the spread of replicates, block effects removed",
        "replicates": "from the spread of replicates",
    }[screen.spread]
    measured = f"{runs} of {every} combinations were measured in {count_text(screen.blocks, 'block')}{of_blocks}."
    aliased = any(len(group) > 1 for group in screen.design.groups())
    told_apart = "What is joined by = cannot be told apart." if aliased else "All of these can be told apart."
    return (
        f"{measured} A change is the full difference between the means at a factor's two levels; intervals are "
        f"95 %, {spread}. {told_apart}"
    )
