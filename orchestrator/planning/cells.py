"""The cells of a plan: every combination of levels, less what does not apply and what is left out."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from orchestrator.planning.document import Json
from orchestrator.planning.plan import Change, Factor, LevelOf, Plan, level_text, same_level
from orchestrator.planning.screening import screen_of
from orchestrator.planning.together import TOGETHER, links_text, members
from orchestrator.planning.traffic import DEFAULTS

COMMAND, BOOT_LINES = "command", "boot-lines"  # settings of which a host may have several, one for each factor
MOST_CELLS = 1_000
MOST_COMBINATIONS = 5_000


Combination = tuple[str, dict[str, LevelOf | None]]  # a link, and each factor's level there


@dataclass(frozen=True)
class SettingUse:
    """A setting at a level on a host; selector is "" for the whole host, otherwise the interface's mark."""

    host: str
    selector: str
    setting: str
    level: Json
    factor: str
    restarts: bool = False  # in effect only once the host has been restarted

    @property
    def place(self) -> tuple[str, str, str, str]:
        """What two uses of different levels would fight over; each user-defined command, each boot file is its own."""
        own = self.factor if self.setting == COMMAND else ""
        if self.setting == BOOT_LINES and isinstance(self.level, dict):
            own = str(self.level["file"])
        return self.host, self.selector, self.setting, own


def plain_level(use: SettingUse) -> Json:
    """The level without what else the plan says about a setting of its own: lines as one text."""
    level = use.level["level"] if isinstance(use.level, dict) and "level" in use.level else use.level
    return lines_text(level) if isinstance(level, list) and use.setting == BOOT_LINES else level


def lines_text(lines: Iterable[Json]) -> str:
    """Lines of a boot file as one text; `none` for the file as found."""
    return "; ".join(map(str, lines)) or "none"


@dataclass(frozen=True)
class Cell:
    """One combination of levels on one link, or on several at once; a level is None where its factor does not apply.

    `link` is the first of several, which the traffic's `together` names.
    """

    number: int
    key: str
    levels: Mapping[str, Json]
    settings: tuple[SettingUse, ...]
    link: str
    traffic: Mapping[str, Any]

    @property
    def start(self) -> str:
        """What the hosts have to be started with: cells of one start share it. Empty where no restart is needed."""
        uses = [[use.host, use.setting, use.factor, use.level] for use in self.settings if use.restarts]
        return json.dumps(uses, sort_keys=True) if uses else ""

    @property
    def links(self) -> tuple[str, ...]:
        """Every link that a trial of it runs on."""
        return tuple(self.traffic.get(TOGETHER) or (self.link,))


def cells(plan: Plan, chosen_before: Iterable[Combination] | None = None) -> tuple[Cell, ...]:
    """All cells in the plan's order: the link varies slowest, the last factor quickest.

    `chosen_before` are the plan's combinations where they are known already.
    """
    found: list[Cell] = []
    held = tuple(hold_uses(plan))
    for link, chosen in combinations(plan) if chosen_before is None else chosen_before:
        levels = {name: level.shown if level else None for name, level in chosen.items()}
        if any(matches(condition, levels) for condition in plan.leave_out):
            continue
        at_once = members(plan, link, chosen)
        uses = tuple(
            use for name, level in chosen.items() if level for use in _uses(plan, at_once, name, level.changes)
        )
        traffic = dict(DEFAULTS)
        for level in chosen.values():
            traffic.update(level.traffic if level else {})
        traffic.pop(TOGETHER, None)
        if len(at_once) > 1:
            traffic[TOGETHER] = list(at_once)
        found.append(Cell(len(found) + 1, _key(plan, at_once, levels), levels, held + uses, link, traffic))
    return tuple(found)


def ports_needed(traffic: Mapping[str, Any]) -> int:
    """The ports that one trial listens on: path proof, round-trip probe, and one for each stream and way."""
    ways = 2 if traffic["direction"] == "bidirectional" else 1
    return 2 + ways * int(traffic["streams"])


def combinations(plan: Plan) -> Iterator[Combination]:
    """(link, factor -> level, None where it does not apply) without duplicates, before anything is left out."""
    order = dependency_order(plan.factors)
    for link in plan.links:
        seen: set[tuple[int, ...]] = set()
        for indices in _choices(plan):
            chosen: dict[str, LevelOf | None] = {}
            for name in order:
                factor = plan.factors[name]
                level = factor.levels[indices[name]]
                chosen[name] = level if _applies(plan, link, factor, level, chosen) else None
            if not members(plan, link, chosen):
                continue
            mark = tuple(indices[name] if chosen[name] else -1 for name in plan.factors)
            if mark not in seen:
                seen.add(mark)
                yield link, {name: chosen[name] for name in plan.factors}


def _choices(plan: Plan) -> Iterator[dict[str, int]]:
    """Factor -> number of its level: all combinations, or the fraction of them that a screen measures."""
    design = screen_of(plan)
    if design is not None:
        for run in design.runs:
            signs = dict(zip(design.factors, run, strict=True))
            yield {name: int(signs.get(name, -1) > 0) for name in plan.factors}
        return
    for choice in itertools.product(*(range(len(factor.levels)) for factor in plan.factors.values())):
        yield dict(zip(plan.factors, choice, strict=True))


def dependency_order(factors: Mapping[str, Factor]) -> list[str]:
    """The factors, each after those that it depends on; what refers to itself comes last."""
    order: list[str] = []
    waiting = sorted(factors, key=lambda name: name != TOGETHER)  # it decides where the others change anything
    while waiting:
        ready = [name for name in waiting if all(other in order for other in depends_on(factors, name))]
        if not ready:
            return order + waiting
        order += ready
        waiting = [name for name in waiting if name not in ready]
    return order


def depends_on(factors: Mapping[str, Factor], name: str) -> set[str]:
    """The factors whose levels decide whether this one applies."""
    others = set(factors[name].only)
    if factors[name].transport:
        others.add("transport")
    return others & set(factors)


def _applies(plan: Plan, link: str, factor: Factor, level: LevelOf, chosen: Mapping[str, LevelOf | None]) -> bool:
    """Whether the factor means anything where the others have these levels."""
    for other, wanted in factor.only.items():
        level_there = chosen.get(other)
        if level_there is None or not any(same_level(level_there.shown, one) for one in wanted):
            return False
    if factor.transport:
        transport = chosen.get("transport")
        if (transport.traffic["transport"] if transport else DEFAULTS["transport"]) != factor.transport:
            return False
    changes = [change for one in factor.levels for change in one.changes]
    links = members(plan, link, chosen)
    return not changes or any(_places(plan, one, change) for one in links for change in (level.changes or changes))


def _places(plan: Plan, link: str, change: Change) -> list[tuple[str, str]]:
    """(host, selector) of a change on one link; none when it concerns another link only."""
    whole, where = plan.links[link], change.where
    if where.ends:
        ends = [whole.end(name) for name in where.ends]
        return [(end.host, "" if change.scope == "host" else end.selector) for end in ends]
    here = [end for end in whole.ends if end.host == where.host]
    if where.selector:
        elsewhere = any(end.selector == where.selector for _, end in plan.ends_of(where.host))
        if elsewhere and all(end.selector != where.selector for end in here):
            return []
        return [(where.host, where.selector)]
    if not here and plan.ends_of(where.host):
        return []
    if change.scope == "host":
        return [(where.host, "")]
    return [(where.host, end.selector) for end in here]


def _uses(plan: Plan, links: Iterable[str], factor: str, changes: tuple[Change, ...]) -> Iterator[SettingUse]:
    """The uses of one level on a cell's links; ends on one host share what belongs to the whole host."""
    seen = set()
    for change, link in itertools.product(changes, links):
        for host, selector in _places(plan, link, change):
            use = SettingUse(host, selector, change.setting, change.level, factor, change.restarts)
            if use.place not in seen:
                seen.add(use.place)
                yield use


def hold_uses(plan: Plan) -> Iterator[SettingUse]:
    """What is fixed for the run: on every link that it concerns."""
    for number, change in enumerate(plan.hold, 1):
        yield from _uses(plan, plan.links, hold_name(number), (change,))


def hold_name(number: int) -> str:
    """What stands in a factor's place for the first, second ... entry of `hold`."""
    return f"hold-{number}"


def matches(condition: Mapping[str, tuple[Json, ...]], levels: Mapping[str, Json]) -> bool:
    """Whether a cell has one of the wanted levels of every factor named."""
    return all(
        levels.get(name) is not None and any(same_level(levels[name], one) for one in wanted)
        for name, wanted in condition.items()
    )


def _key(plan: Plan, links: tuple[str, ...], levels: Mapping[str, Json]) -> str:
    """What makes the cell the same one in another run of the plan: its levels, and the link where there are several."""
    parts = [f"{name}={level_text(level)}" for name, level in levels.items() if level is not None]
    if len(plan.links) > 1:
        parts.insert(0, f"link={links_text(links)}")
    return " ".join(parts) or "as-it-stands"
