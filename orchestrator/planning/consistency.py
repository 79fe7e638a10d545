"""What must fit together across the parts of a plan: ends and hosts, and the cells that come of it all."""

from __future__ import annotations

import math
from collections.abc import Iterator

from orchestrator.planning.cells import (
    MOST_CELLS,
    MOST_COMBINATIONS,
    Cell,
    Combination,
    SettingUse,
    cells,
    combinations,
    hold_name,
    hold_uses,
    matches,
    ports_needed,
)
from orchestrator.planning.document import Document, Path
from orchestrator.planning.links import ENDS, FAR, host_and_selector
from orchestrator.planning.names import HOST_WORDS
from orchestrator.planning.order import LEAST_FOR_PRECISION, replicate_range
from orchestrator.planning.parts import Parts
from orchestrator.planning.plan import Plan
from orchestrator.planning.port_shares import Listening, divided, meet, ranges_that_would_do
from orchestrator.planning.screening import check_screen, screen_of
from orchestrator.planning.synonyms import did_you_mean
from orchestrator.planning.systems import check_systems
from orchestrator.planning.together import check_searches, check_together

MOST_TRIALS = 100_000
_MOST_SHOWN = 12  # factors in the arithmetic


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
        if link.under_test.host == link.far.host:
            document.report(
                ("links", name, FAR),
                "clash",
                f"both ends of link '{name}' are on {link.far.host}: traffic between them would not leave the machine",
                "a link runs between two hosts",
                key=True,
            )
    for name in declared:
        used = name in ends or _mentioned(document, name)
        if not used and parts.links and ends <= set(declared) and len(parts.links) == len(names(document, "links")):
            document.report(
                ("hosts", name),
                "never-applies",
                f"host '{name}' is an end of no link, and nothing is set there",
                "remove it, or give it a link",
                key=True,
            )


def check_replicates(document: Document, plan: Plan) -> None:
    """One thing decides how often a cell is measured."""
    bounds, precision = plan.trial.replicate_bounds, plan.trial.precision_ratio
    if precision is not None and plan.budget_s is not None:
        said = "precision and budget both say how many trials there will be"
        document.report(("budget",), "clash", said, "keep one of the two", key=True)
    elif precision is not None and bounds.min < LEAST_FOR_PRECISION:
        document.report(
            ("trial", "replicates"),
            "bad-value",
            f"precision cannot be judged from {bounds.min} replicate{'s' * (bounds.min > 1)}: an interval that "
            f"stops a cell so early cannot be made honest",
            f"write at least {LEAST_FOR_PRECISION}, for example replicates: {{min: {LEAST_FOR_PRECISION}, max: 20}}",
            key=True,
        )
    elif bounds.max > bounds.min and precision is None and plan.budget_s is None:
        said = "nothing says how many replicates between min and max are enough"
        document.report(
            ("trial", "replicates"), "missing-key", said, "add precision: 2% to trial, or budget: 30min", key=True
        )


def _end_hosts(document: Document) -> Iterator[tuple[Path, str]]:
    """(path, host) of every end in the file, also of those whose link has another fault."""
    for name in names(document, "links"):
        for end_name in ENDS:
            path: Path = ("links", name, end_name)
            end = document.at(path)
            if isinstance(end, str) and all(host_and_selector(end)):
                yield path, host_and_selector(end)[0]
            elif isinstance(end, dict) and isinstance(end.get("host"), str):
                yield (*path, "host"), str(end["host"])


def _mentioned(document: Document, host: str) -> bool:
    """Whether some `at` of the file names the host."""
    return any(path[-1:] == ("at",) and host_and_selector(text)[0] == host for path, text in document.texts.items())


def check_cells(document: Document, plan: Plan) -> None:
    """The number of cells and trials, what never applies, and what fights over one place."""
    if not check_together(document, plan) or (plan.screen and not check_screen(document, plan)):
        return
    sizes = {name: len(factor.levels) for name, factor in plan.factors.items()}
    design = screen_of(plan)
    product = (len(design.runs) if design else math.prod(sizes.values())) * len(plan.links)
    links = [f"{len(plan.links)} links"] if len(plan.links) > 1 else []
    factors = [f"{count} {name}" for name, count in sizes.items()]
    some = [*factors[:_MOST_SHOWN], "..."] if len(factors) > _MOST_SHOWN else factors
    part_of = "a fraction of " if design else ""
    arithmetic = f"{part_of}{' x '.join([*links, *some])} = {_big(product)} combinations"
    if product > MOST_COMBINATIONS:
        said = f"{arithmetic}: at most {MOST_COMBINATIONS} can be looked through, and {MOST_CELLS} measured"
        document.report(("factors",), "too-many-cells", said, "split the plan, or vary fewer factors at once", key=True)
        return
    everything = list(combinations(plan))
    found = cells(plan, everything)
    if len(found) > MOST_CELLS:
        less = "" if len(found) == product else f", {len(found)} of them to be measured"
        said = f"{arithmetic}{less}: a plan has at most {MOST_CELLS} cells"
        document.report(("factors",), "too-many-cells", said, "split the plan, or leave combinations out", key=True)
        return
    _check_trials(document, plan, len(found))
    _check_applying(document, plan, everything)
    _check_hold(document, plan)
    _check_leave_out(document, plan, everything)
    _check_places(document, plan, found)
    check_searches(document, found)
    _check_family(document, plan, found)
    _check_ports(document, plan, found)
    check_systems(document, plan, found)


def _big(number: int) -> str:
    """A number that may have more digits than anybody reads."""
    return str(number) if number < 10**12 else f"more than 10^{int(math.log10(number))}"


def _check_trials(document: Document, plan: Plan, count: int) -> None:
    """There is something to measure, and not more than a run can hold."""
    trials = count * replicate_range(plan)[1]
    if trials > MOST_TRIALS:
        said = f"{count} cells x {trials // count} replicates = {trials} trials: a plan has at most {MOST_TRIALS}"
        document.report(("trial", "replicates"), "too-many-cells", said)
    elif not count and plan.links:
        document.report(("leave_out",), "no-cells", "everything is left out: no cell remains", key=True)


def _check_applying(document: Document, plan: Plan, everything: list[Combination]) -> None:
    """Every factor applies in some combination."""
    applying = {name for _, chosen in everything for name, level in chosen.items() if level}
    for name, factor in plan.factors.items():
        if name in applying:
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
            suggestion = "name the interface, as in at: dome eth1"
        document.report(("factors", name), "never-applies", why, suggestion, key=True)


def _check_hold(document: Document, plan: Plan) -> None:
    """Every held setting is held somewhere, and no factor has the name by which a run's files know one."""
    held = {use.factor for use in hold_uses(plan)}
    for number, change in enumerate(plan.hold):
        name = hold_name(number + 1)
        if name in plan.factors:
            said = f"'{name}' is what the run's files call entry {number + 1} of hold"
            document.report(("factors", name), "bad-name", said, "give the factor another name", key=True)
        elif name not in held:
            said = f"{change.setting} belongs to an interface, and {change.where} has no end on a link"
            hint = f"name the interface, as in at: {change.where} eth1"
            document.report(("hold", number, "at"), "never-applies", said, hint)


def _check_leave_out(document: Document, plan: Plan, everything: list[Combination]) -> None:
    """Every condition of `leave_out` leaves something out."""
    shown = [{name: level.shown if level else None for name, level in chosen.items()} for _, chosen in everything]
    for number, wanted in enumerate(plan.leave_out):
        if not any(matches(wanted, levels) for levels in shown):
            said = "this leaves nothing out: no cell has these levels together"
            document.report(("leave_out", number), "never-applies", said)


def _check_places(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """No cell brings one place to two levels."""
    said = set()
    for uses in (tuple(hold_uses(plan)), *(cell.settings for cell in found)):
        first: dict[tuple[str, ...], SettingUse] = {}
        for use in uses:
            other = first.setdefault(use.place, use)
            pair = (other.factor, use.factor, use.setting)
            if other is not use and pair not in said:
                said.add(pair)
                _report_clash(document, plan, other, use)


def _report_clash(document: Document, plan: Plan, other: SettingUse, use: SettingUse) -> None:
    """Two factors, or entries of `hold`, that want to set the same place."""
    held = [
        f"entry {one.factor[5:]} of hold" if one.factor not in plan.factors else f"'{one.factor}'"
        for one in (other, use)
    ]
    path: Path = ("factors", use.factor) if use.factor in plan.factors else ("hold", int(use.factor[5:]) - 1)
    place = " ".join(filter(None, use.place[:2]))
    said = f"{held[0]} and {held[1]} both set {use.setting} at {place}"
    document.report(path, "clash", said, "let only one of them set it", key=True)


def _check_family(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """A link with addresses of one family carries no other."""
    for name, link in plan.links.items():
        if link.addresses is None:
            continue
        version = link.addresses.version
        if any(name in cell.links and cell.traffic["ip"] not in (None, version) for cell in found):
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
        most = max((ports_needed(cell.traffic) for cell in found if name in cell.links), default=0)
        if most > len(link.ports):
            first = min(link.ports[0], 65536 - most)
            document.report(
                ("links", name, "ports"),
                "clash",
                f"link '{name}' has {len(link.ports)} ports, and a cell needs {most}: one for each stream and way, and "
                "two beside",
                f"write ports: {first}-{first + most - 1}",
            )
            return
    _check_shared_ports(document, plan, found)


def _check_shared_ports(document: Document, plan: Plan, found: tuple[Cell, ...]) -> None:
    """Links that run at once and end at one interface can divide their ports so that each has enough."""
    for cell in sorted(found, key=lambda cell: -ports_needed(cell.traffic)):
        needed = ports_needed(cell.traffic)
        listening = {
            name: Listening(plan.links[name].ports, tuple(end.pair for end in plan.links[name].ends))
            for name in cell.links
        }
        short = [name for name, ports in divided(listening, needed).items() if len(ports) < needed]
        if not short:
            continue
        near = [
            name
            for name in cell.links
            if name in short or any(meet(listening[name], listening[other]) for other in short)
        ]
        ranges = ranges_that_would_do(near, needed, min(listening[name].ports[0] for name in near))
        document.report(
            ("links", short[0], "ports"),
            "clash",
            f"links {', '.join(near)} run at once at the same interface, and their ports are too few to be divided: "
            f"each needs {needed}, one for each stream and way, and two beside",
            "write " + "; ".join(f"{name}: {{ports: {ports}}}" for name, ports in ranges.items()),
        )
        return
