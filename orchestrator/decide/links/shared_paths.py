"""What a run has to know where SSH reaches a host over an interface that it changes or measures. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from orchestrator.decide.links.ends import interface_of
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState, facts_of
from orchestrator.faults import HostError
from orchestrator.planning.cells import Cell
from orchestrator.planning.min_lease import Need, is_flood, needs, remedy, sentence, too_short


def lease_too_short(state: RunState, control: Mapping[str, Iterable[str]]) -> HostError | None:
    """Why this lease cannot be kept; None when it can. `control`: host -> the interfaces that SSH comes in by."""
    setup, facts = state.setup, facts_of(state)

    def interface(need: Need) -> str:
        return interface_of(need.selector, facts[need.host], need.host)

    wanted = needs(setup.cells, {link.name: (link.ends, link.rate_bit_s) for link in setup.links}, setup.costly)
    need = too_short(setup.lease_s, wanted, lambda need: interface(need) in set(control.get(need.host, ())))
    if need is None:
        return None
    return HostError(
        "lease_too_short",
        sentence(need, setup.lease_s, interface(need)),
        host=need.host,
        lease_s=setup.lease_s,
        min_s=need.min_s,
        next_step=remedy(need),
    )


def only_ssh_renews(setup: RunSetup, cell: Cell, hosts: Iterable[str]) -> list[str]:
    """A sentence on each host that no datagram of ours reaches, while the cell's traffic may leave SSH no room."""
    if not any(is_flood(cell, setup.link(name).rate_bit_s) for name in cell.links):
        return []
    return [
        f"{host}: SSH shares the measured link, and no UDP of ours reaches the host beside it (blocked, or behind "
        "another host): only SSH renews its lease, for which UDP as fast as it goes may leave no room; let UDP "
        f"through to {host}, or let SSH reach it another way"
        for host in hosts
    ]
