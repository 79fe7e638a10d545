"""What must be true of the hosts before the first of them is changed."""

from __future__ import annotations

from itertools import combinations

from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.end_problems import address_problem, end_problem
from orchestrator.decide.links.ends import interface_facts, interface_of, same_network_namespace, target_of
from orchestrator.decide.shapes.host_facts import HostFacts
from orchestrator.decide.state import RunState, facts_of
from orchestrator.faults import BugError, Fault, HostError, LinkError
from orchestrator.planning.cautions import udp_to_strangers
from orchestrator.planning.cells import Cell
from orchestrator.planning.systems import BSD, LINUX


def preflight_problem(state: RunState) -> Fault | None:
    """The first reason why the run may not begin, from the hosts' facts alone; None when it may."""
    facts = facts_of(state)
    try:
        for name, told in facts.items():
            _look_at_system(state, name, str(told.get("family", LINUX)), str(told.get("system", "")))
        for one, other in combinations(sorted(facts), 2):
            if same_network_namespace(facts[one], facts[other]):
                raise LinkError(
                    "one_machine",
                    f"{one} and {other} are the same machine: traffic between them would never touch a link",
                    next_step="name two different machines in the plan",
                )
        for cell in state.setup.cells:
            for use in cell.settings:
                target_of(use, facts[use.host])
            for link in cell.links:
                _look_at_ends(state, cell, link, facts)
    except BugError:  # our own fault is no property of the hosts: it ends the run as such
        raise
    except Fault as fault:
        return fault
    return None


def _look_at_system(state: RunState, name: str, family: str, system: str) -> None:
    """What can be set and seen was decided by what the plan says."""
    said = BSD if name in state.setup.bsd_hosts else LINUX
    if family != said:
        raise HostError(
            "system_differs",
            f"{name}: the plan says system: {said}, and the host runs {system}; nothing was changed",
            host=name,
            plan=said,
            system=system,
            next_step=f"write system: {family} for {name} in the plan (check then says what can be set "
            "there), or name another host",
        )


def _look_at_ends(state: RunState, cell: Cell, name: str, facts: dict[str, HostFacts]) -> None:
    link = state.setup.link(name)
    (a, first), (b, second) = link.ends
    names = interface_of(first, facts[a], a), interface_of(second, facts[b], b)
    ends = interface_facts(names[0], facts[a]), interface_facts(names[1], facts[b])
    for host, interface in ((a, ends[0]), (b, ends[1])):
        if problem := end_problem(host, interface, state.setup.cells):
            raise problem
    _, mine, theirs = addresses_of(link, *ends, cell.traffic["ip"])
    if problem := address_problem(link, facts, names, (mine, theirs), state.setup.cells):
        raise problem
    if not link.isolated and (why := udp_to_strangers(link.name, [cell], (mine, theirs))):
        raise LinkError("unlimited_udp", why, next_step="see the cautions in the README", link=link.name)


def interfaces_used(state: RunState, name: str) -> tuple[str, ...]:
    """The interfaces of a host that links or settings of this run use, in a stable order."""
    facts = state.hosts[name].facts or {}
    used = {
        interface_of(selector, facts, name)
        for link in state.setup.links
        for host, selector in link.ends
        if host == name
    }
    used |= {
        target_of(use, facts)
        for cell in state.setup.cells
        for use in cell.settings
        if use.host == name and use.selector
    }
    return tuple(sorted(used - {""}))
