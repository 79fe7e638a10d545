"""Cells of a run that its hosts cannot have, known from what they told before anything is changed. Pure."""

from __future__ import annotations

from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.ends import interface_facts, interface_of
from orchestrator.decide.state import RunState
from orchestrator.faults import Fault
from orchestrator.planning.cells import Cell
from orchestrator.planning.impossible import why_impossible

IMPOSSIBLE = "impossible_cell"  # the code of the error in such a trial's record


def why_foreseen(state: RunState, cell: Cell) -> str:
    """Why the cell is impossible, with the source; "" when it is to be tried."""
    ends = {link.name: link.ends for link in state.setup.links}
    cores = {name: (host.facts or {}).get("online_cpus") or () for name, host in state.hosts.items()}
    return why_impossible(cell, ends, {link: _family(state, cell, link) for link in cell.links}, cores)


def _family(state: RunState, cell: Cell, name: str) -> int | None:
    """The IP version that the cell's traffic would have on a link; None where that cannot be told."""
    link = state.setup.link(name)
    facts = [(state.hosts[host].facts or {}, host, selector) for host, selector in link.ends]
    try:
        first, second = (interface_facts(interface_of(selector, told, host), told) for told, host, selector in facts)
        return addresses_of(link, first, second, cell.traffic["ip"])[0]
    except Fault:
        return int(cell.traffic["ip"]) if cell.traffic["ip"] else None
