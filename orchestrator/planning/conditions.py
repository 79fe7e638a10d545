"""Looks up what `only` and `leave_out` refer to: factors of the plan and levels that they have."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

from orchestrator.planning.cells import dependency_order, depends_on
from orchestrator.planning.document import Document, Json, Path
from orchestrator.planning.plan import Factor, level_text, same_level
from orchestrator.planning.synonyms import did_you_mean
from orchestrator.planning.traffic import TRAFFIC_FACTORS, LevelError

Wanted = Mapping[str, tuple[Json, ...]]


def condition(
    document: Document, path: Path, text: Mapping[str, Any], factors: Mapping[str, Factor], declared: Collection[str]
) -> Wanted | None:
    """The levels wanted of each factor named, as the factor shows them; None when some part is wrong.

    `declared` are the names of all factors of the file; one whose own part is wrong cannot be checked here.
    """
    wanted: dict[str, tuple[Json, ...]] = {}
    good = True
    for name, value in text.items():
        if document.full:
            return None
        here = (*path, name)
        if name not in declared:
            known = TRAFFIC_FACTORS.get(name)
            document.report(
                here,
                "unknown-factor",
                f"'{name[:40]}' is no factor of this plan",
                did_you_mean(name, declared) or (f"add {name}: {known.example} to the factors" if known else ""),
                key=True,
            )
            good = False
        elif name not in factors:
            good = False
        else:
            listed = value if isinstance(value, list) else [value]
            levels = [
                _level(document, (*here, number) if isinstance(value, list) else here, factors[name], one)
                for number, one in enumerate(listed)
            ]
            wanted[name] = tuple(level for level in levels if level is not None)
            good = good and bool(levels) and None not in levels
            if not levels:
                document.report(here, "bad-value", "an empty list matches nothing")
    return wanted if good else None


def _level(document: Document, path: Path, factor: Factor, raw: Json) -> Json:
    """The factor's own level that is meant; None when it has none such."""
    meant = raw
    if factor.kind == "traffic":
        try:
            meant = TRAFFIC_FACTORS[factor.name].read(raw)[0]
        except LevelError:
            meant = raw
    as_written = document.texts.get(path)
    for level in factor.levels:
        if same_level(level.shown, meant) or (isinstance(level.shown, str) and level.shown == as_written):
            return level.shown
    names = [level_text(level.shown) for level in factor.levels]
    document.report(
        path,
        "unknown-level",
        f"'{factor.name}' has no level {level_text(raw)[:40] or 'nothing'}",
        did_you_mean(level_text(raw), names) or f"it has {', '.join(names[:12])}",
    )
    return None


def with_only(
    document: Document,
    texts: Mapping[str, Mapping[str, Any] | None],
    factors: Mapping[str, Factor],
    declared: Collection[str],
) -> dict[str, Factor]:
    """The factors with their `only` looked up."""
    found = dict(factors)
    for name, text in texts.items():
        path: Path = ("factors", name, "only")
        if text is None:
            continue
        if name in text:
            document.report((*path, name), "clash", f"'{name}' cannot depend on itself", key=True)
        elif not text:
            document.report(path, "bad-value", "an empty `only` says nothing", "leave it out")
        elif (wanted := condition(document, path, text, factors, declared)) and name in factors:
            found[name] = replace(factors[name], only=wanted)
    return _without_circles(document, found)


def _without_circles(document: Document, factors: dict[str, Factor]) -> dict[str, Factor]:
    """Note factors whose conditions go round in a circle."""
    done: set[str] = set()
    for name in dependency_order(factors):
        if depends_on(factors, name) <= done:
            done.add(name)
    circle = [name for name in factors if name not in done]
    if circle:
        document.report(
            ("factors", circle[0], "only"),
            "clash",
            f"whether {' and '.join(circle[:4])} apply goes round in a circle",
            "let one of them apply always",
            key=True,
        )
    return factors
