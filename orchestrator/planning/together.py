"""Several links at once: the traffic factor `together`, for cards with several ports. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from orchestrator.planning.document import Document, Json, shown

if TYPE_CHECKING:
    from orchestrator.planning.cells import Cell
    from orchestrator.planning.plan import LevelOf, Plan

TOGETHER = "together"
ALONE, ALL = "alone", "all"
_PATH = ("factors", TOGETHER)
PLUS = "+"  # joins the names of links, which never contain it: uplink+spare


def links_text(links: tuple[str, ...] | list[str]) -> str:
    """Links that run at once, as one word: the level's name, and the `link` of their sum."""
    return PLUS.join(links)


def read_level(level: Json) -> tuple[Json, Json]:
    """(the level as it is shown, the links named or the words `alone` and `all`); ValueError with what is wrong."""
    if level in (ALONE, ALL):
        return level, level
    named = level.split(PLUS) if isinstance(level, str) else level
    names = [name for name in named if isinstance(name, str) and name] if isinstance(named, list) else []
    if not isinstance(named, list) or len(names) != len(named):
        raise ValueError(f"{shown(level)} is neither alone, all, nor a list of links")
    if len(names) < 2 or len(set(names)) < len(names):
        raise ValueError(f"{shown(level)} does not name two different links or more")
    return links_text(names), [*names]


def members(plan: Plan, link: str, chosen: Mapping[str, LevelOf | None]) -> tuple[str, ...]:
    """The links that a combination runs on when it is the link's turn: itself first, alone or with others.

    Empty where another link stands for it: links at once are one cell, at the place of the first of them.
    """
    level = chosen.get(TOGETHER)
    value = level.traffic[TOGETHER] if level else ALONE
    if value == ALONE:
        return (link,)
    named = tuple(plan.links) if value == ALL else tuple(map(str, value if isinstance(value, list) else ()))
    return named if named[0] == link else ()


def check_together(document: Document, plan: Plan) -> bool:
    """Whether every link named is one of the plan's, and there are links to run at once."""
    factor = plan.factors.get(TOGETHER)
    if factor is None:
        return True
    values = [level.traffic[TOGETHER] for level in factor.levels]
    unknown = [name for value in values if isinstance(value, list) for name in value if name not in plan.links]
    if unknown:
        said = f"'{str(unknown[0])[:40]}' is no link of this plan"
        hint = f"the links: {', '.join(list(plan.links)[:12])}"
        document.report(_PATH, "unknown-level", said, hint, key=True)
    elif len(plan.links) < 2 and any(value != ALONE for value in values):
        said = "nothing can run together: the plan has one link"
        document.report(_PATH, "clash", said, "add the other link to `links`, or leave together out", key=True)
    else:
        return True
    return False


def check_searches(document: Document, found: Iterable[Cell]) -> None:
    """A search moves the rate of one link by what that link alone lost."""
    if any(len(cell.links) > 1 and "search" in (cell.traffic["intended_load"] or {}) for cell in found):
        said = "a throughput search runs on one link at a time"
        document.report(_PATH, "clash", said, "leave_out: [{together: all, intended_load: search}]", key=True)
