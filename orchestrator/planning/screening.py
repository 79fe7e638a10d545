"""`screen: true`: which factors a plan screens, what keeps it from doing so, and what its cells cannot tell apart."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from orchestrator.planning.document import Document
from orchestrator.planning.fraction import Fraction, alias_sentences, fraction
from orchestrator.planning.plan import Plan

LEAST_FACTORS, MOST_FACTORS = 4, 15  # with fewer than four, nothing can be left out at resolution IV


def screen_of(plan: Plan) -> Fraction | None:
    """The design of a plan that screens; None for one that measures every combination."""
    names = _two_levels(plan)
    if not plan.screen or not LEAST_FACTORS <= len(names) <= MOST_FACTORS:
        return None
    return fraction(names)


def _two_levels(plan: Plan) -> list[str]:
    return [name for name, factor in plan.factors.items() if len(factor.levels) == 2]


def check_screen(document: Document, plan: Plan) -> bool:
    """Whether the plan can be screened as it asks; notes what stands against it."""
    before = len(document.problems)
    for name, factor in plan.factors.items():
        if len(factor.levels) > 2:
            document.report(
                ("factors", name),
                "clash",
                f"a screen takes factors of two levels, and '{name}' has {len(factor.levels)}",
                "keep the two furthest apart, or leave screen out",
                key=True,
            )
        elif factor.only or (factor.transport and _varied(plan, "transport")):
            document.report(
                ("factors", name),
                "clash",
                f"'{name}' does not apply everywhere, and a screen needs every factor in every cell",
                "leave it, or what it depends on, at one level",
                key=True,
            )
    if plan.leave_out:
        document.report(
            ("leave_out",),
            "clash",
            "a screen chooses its combinations by itself: with some left out it could no longer tell its factors apart",
            "leave leave_out or screen out",
            key=True,
        )
    for path, given in ((("budget",), plan.budget_s), (("trial", "precision"), plan.trial.precision_ratio)):
        if given is not None:
            document.report(
                path,
                "clash",
                "a screen measures every cell equally often, or its estimates would mix",
                f"leave {path[-1]} or screen out",
                key=True,
            )
    count = len(_two_levels(plan))
    if len(document.problems) == before and not LEAST_FACTORS <= count <= MOST_FACTORS:
        said = f"a screen takes {LEAST_FACTORS} to {MOST_FACTORS} factors of two levels, and this plan has {count}"
        hint = "leave screen out" if count < LEAST_FACTORS else "split the plan"
        document.report(("screen",), "clash", said, hint, key=True)
    return len(document.problems) == before


def _varied(plan: Plan, name: str) -> bool:
    return name in plan.factors and len(plan.factors[name].levels) > 1


def screen_as_dict(plan: Plan) -> dict[str, Any] | None:
    """What run.json holds of it: the design, and each factor's first and second level."""
    design = screen_of(plan)
    if design is None:
        return None
    levels = {name: [level.shown for level in plan.factors[name].levels] for name in design.factors}
    return {**design.as_dict(), "resolution": design.resolution, "levels": levels}


def screen_sentences(plan: Plan) -> Iterator[str]:
    """What the fraction is, and what it cannot tell apart; nothing for a plan without one."""
    design = screen_of(plan)
    if design is None:
        return
    runs, all_of_them = len(design.runs), 2 ** len(design.factors)
    yield (
        f"{runs} of the {all_of_them} combinations of {len(design.factors)} factors; "
        + (
            f"resolution {_ROMAN[design.resolution]}: each factor is told apart from every other and from every pair"
            if design.resolution
            else "all of them"
        )
    )
    yield from alias_sentences(design)


_ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII"}
