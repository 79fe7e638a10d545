"""What must fit together across the parts of a plan: ends and hosts, and the cells that come of it all."""

from __future__ import annotations

import ipaddress
import math
from collections import Counter
from collections.abc import Iterator

from orchestrator.planning.cells import (
    MOST_CELLS,
    MOST_COMBINATIONS,
    Cell,
    SettingUse,
    cells,
    combinations,
    hold_uses,
    matches,
    ports_needed,
)
from orchestrator.planning.document import Document, Path
from orchestrator.planning.names import HOST_WORDS
from orchestrator.planning.parts import Parts
from orchestrator.planning.plan import Plan, level_text
from orchestrator.planning.synonyms import did_you_mean

MOST_TRIALS = 100_000


def names(document: Document, section: str) -> list[str]:
    """The names declared in a section, whether or not what they stand for is right."""
    part = document.at((section,))
    return list(part) if isinstance(part, dict) else []


def check_hosts_and_links(document: Document, parts: Parts) -> None:
    """Every end is on a host of the plan, and the two ends of a link are two."""
    declared = names(document, "hosts")
    for section in ("hosts", "links"):
        if document.at((section,)) == {}:
            document.report((section,), "missing-key", f"the plan has no {section}", key=True)
    for name in declared:
        if name in HOST_WORDS:
            document.report(
                ("hosts", name), "bad-name", f"a host cannot be named '{name}': `at` uses the word", key=True
            )
    ends = {host for _, host in _end_hosts(document)}
    for path, host in _end_hosts(document):
        if host not in declared:
            suggestion = did_you_mean(host, declared) or "the plan's hosts: " + ", ".join(declared[:12])
            document.report(path, "unknown-host", f"'{host[:40]}' is no host of this plan", suggestion)
    for name, link in parts.links.items():
        if link.ends[0].host == link.ends[1].host:
            document.report(
                ("links", name, "ends"),
                "clash",
                f"both ends of link '{name}' are on {link.ends[0].host}: "
                "traffic between them would not leave the machine",
                "a link runs between two hosts",
                key=True,
            )
    for name in declared:
        used = name in ends or _mentioned(document, name)
        if not used and ends <= set(declared) and len(parts.links) == len(names(document, "links")):
            document.report(
                ("hosts", name),
                "never-applies",
                f"host '{name}' is an end of no link, and nothing is set there",
                "remove it, or give it a link",
                key=True,
            )


def _end_hosts(document: Document) -> Iterator[tuple[Path, str]]:
    """(path, host) of every end in the file, also of those whose link has another fault."""
    for name in names(document, "links"):
        ends = document.at(("links", name, "ends"))
        for number, end in enumerate(ends if isinstance(ends, list) else []):
            path: Path = ("links", name, "ends", number)
            if isinstance(end, str) and ":" in end:
                yield path, end.partition(":")[0]
            elif isinstance(end, dict) and isinstance(end.get("host"), str):
                yield (*path, "host"), str(end["host"])


def _mentioned(document: Document, host: str) -> bool:
    """Whether some `at` of the file names the host."""
    return any(path[-1:] == ("at",) and text.partition(":")[0] == host for path, text in document.texts.items())


def check_cells(document: Document, plan: Plan) -> None:
    """The number of cells and trials, what never applies, and what fights over one place."""
    sizes = {name: len(factor.levels) for name, factor in plan.factors.items()}
    product = math.prod(sizes.values()) * len(plan.links)
    arithmetic = " x ".join(
        [
            *([f"{len(plan.links)} links"] if len(plan.links) > 1 else []),
            *(f"{count} {name}" for name, count in sizes.items()),
        ]
    )
    if product > MOST_COMBINATIONS:
        document.report(
            ("factors",),
            "too-many-cells",
            f"{arithmetic} = {product} combinations: at most "
            f"{MOST_COMBINATIONS} can be looked through, and {MOST_CELLS} measured",
            "split the plan, or vary fewer factors at once",
            key=True,
        )
        return
    found = cells(plan)
    if len(found) > MOST_CELLS:
        less = "" if len(found) == product else f", {len(found)} of them to be measured"
        document.report(
            ("factors",),
            "too-many-cells",
            f"{arithmetic} = {product} combinations{less}: a plan has at most {MOST_CELLS} cells",
            "split the plan, or leave combinations out",
            key=True,
        )
    elif len(found) * plan.trial.replicates > MOST_TRIALS:
        document.report(
            ("trial", "replicates"),
            "too-many-cells",
            f"{len(found)} cells x {plan.trial.replicates} replicates "
            f"= {len(found) * plan.trial.replicates} trials: a plan has at most {MOST_TRIALS}",
        )
    elif not found:
        document.report(("leave_out",), "no-cells", "everything is left out: no cell remains", key=True)
    _check_applying(document, plan)
    _check_leave_out(document, plan)
    _check_places(document, plan, found)
    _check_family(document, plan, found)
    _check_ports(document, plan, found)


def _check_applying(document: Document, plan: Plan) -> None:
    """Every level of every factor applies in some combination."""
    applying: Counter[tuple[str, str]] = Counter()
    for _, chosen in combinations(plan):
        applying.update((name, level_text(level.shown)) for name, level in chosen.items() if level)
    for name, factor in plan.factors.items():
        if any((name, level_text(level.shown)) in applying for level in factor.levels):
            continue
        why, suggestion = f"'{name}' applies to no cell", ""
        if factor.transport:
            why = f"'{name}' is about {factor.transport.upper()}, and no cell that it could apply to has that transport"
            suggestion = (
                f"add transport: [tcp, {factor.transport}] to the factors" if "transport" not in plan.factors else ""
            )
        elif factor.only:
            why += ": the levels that `only` names never meet"
        elif factor.levels[0].changes:
            why += f": {factor.levels[0].changes[0].where} has no end on a link"
            suggestion = "name the interface, as in at: dome:eth1"
        document.report(("factors", name), "never-applies", why, suggestion, key=True)


def _check_leave_out(document: Document, plan: Plan) -> None:
    """Every condition of `leave_out` leaves something out."""
    everything = [
        {name: level.shown if level else None for name, level in chosen.items()} for _, chosen in combinations(plan)
    ]
    for number, wanted in enumerate(plan.leave_out):
        if not any(matches(wanted, levels) for levels in everything):
            document.report(
                ("leave_out", number), "never-applies", "this leaves nothing out: no cell has these levels together"
            )


def _check_places(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """No cell brings one place to two levels, and no command is restored twice."""
    held = {use.place: use for use in hold_uses(plan)}
    said = set()
    if len(held) < sum(1 for _ in plan.hold):
        for number, one in enumerate(plan.hold):
            for earlier in plan.hold[:number]:
                if one.setting == earlier.setting != "command" and one.where == earlier.where:
                    document.report(("hold", number), "clash", f"{one.setting} at {one.where} is held twice")
    for cell in found:
        first: dict[tuple[str, ...], SettingUse] = {}
        for use in cell.settings:
            other = first.setdefault(use.place, use)
            if other is use or (pair := (other.factor, use.factor, use.setting)) in said:
                continue
            said.add(pair)
            held_by = (
                "`hold`"
                if other.factor.startswith("hold-") and other.factor not in plan.factors
                else f"'{other.factor}'"
            )
            path: Path = ("factors", use.factor) if use.factor in plan.factors else ("hold", int(use.factor[5:]) - 1)
            document.report(
                path,
                "clash",
                f"'{use.factor}' and {held_by} both set {use.setting} at {':'.join(filter(None, use.place[:2]))}",
                "let only one of them set it",
                key=True,
            )


def _check_family(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """A link with addresses of one family carries no other."""
    for name, link in plan.links.items():
        if isinstance(link.address, str):
            continue
        version = ipaddress.ip_address(link.address[0]).version
        if any(cell.link == name and cell.traffic["ip"] not in (None, version) for cell in found):
            document.report(
                ("links", name, "address"),
                "clash",
                f"link '{name}' has IPv{version} addresses, and the plan varies the IP version",
                "leave address out, or `ip`",
                key=True,
            )


def _check_ports(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """A link has ports enough for its cell with the most streams."""
    for name, link in plan.links.items():
        most = max((ports_needed(cell.traffic) for cell in found if cell.link == name), default=0)
        if most > len(link.ports):
            first = min(link.ports[0], 65536 - most)
            document.report(
                ("links", name, "ports"),
                "clash",
                f"link '{name}' has {len(link.ports)} ports, and a cell needs {most}: one for each stream and way, and "
                "two beside",
                f"write ports: {first}-{first + most - 1}",
            )
