"""From a plan to a run's setup: its cells, their order, and what the machine needs of the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from orchestrator.decide.setup import LinkSetup, PowerSwitch, RunSetup
from orchestrator.planning import Plan, cells, schedule
from orchestrator.planning.cells import Cell, SettingUse
from orchestrator.planning.impossible import small_mtu_at
from orchestrator.planning.order import Trial, replicate_range
from orchestrator.planning.rehearsal import rehearsal_cells
from orchestrator.planning.systems import BSD

TEST_ADDRESS = "test-address"  # the setting that gives an interface an address for the length of a run


def compose(plan: Plan, *, run_id: str, holder: str, only_rehearse: bool = False) -> RunSetup:
    """The setup of one run of this plan; `holder` names us to whoever finds a host busy."""
    temporary = {
        name: temporary_pairs(place)
        for place, (name, link) in enumerate(plan.links.items())
        if link.address == "temporary"
    }
    all_cells = tuple(_with_addresses(plan, cell, temporary) for cell in cells(plan))
    links = tuple(
        LinkSetup(
            name=name,
            ends=(link.under_test.pair, link.far.pair),
            rate_bit_s=link.rate_bit_s,
            ports=tuple(link.ports),
            isolated=link.isolated,
            addresses=_plain(temporary[name])
            if name in temporary
            else (link.addresses.pair,)
            if link.addresses
            else (),
        )
        for name, link in plan.links.items()
    )
    return RunSetup(
        run_id=run_id,
        plan_name=plan.plan,
        hosts=tuple(plan.hosts),
        links=links,
        cells=all_cells,
        schedule=whole_schedule(plan, all_cells, only_rehearse=only_rehearse),
        length_s=plan.trial.length_s,
        warmup_s=plan.trial.warmup_s,
        settle_s=plan.trial.settle_s,
        lease_s=plan.lease_s,
        patience_s=plan.patience_s,
        seed=plan.order.seed,
        changed_outside=plan.changed_outside,
        accept=tuple(plan.accept),
        holder=holder,
        costly=tuple(sorted(plan.costly)),
        precision_ratio=plan.trial.precision_ratio,
        budget_s=plan.budget_s,
        power=tuple(
            PowerSwitch(name, host.power_cycle.command, host.power_cycle.wait_s)
            for name, host in plan.hosts.items()
            if host.power_cycle is not None
        ),
        bsd_hosts=tuple(name for name, host in plan.hosts.items() if host.system == BSD),
        replicates_min=plan.trial.replicates,
        replicates_most=replicate_range(plan)[1],
    )


Pairs = tuple[tuple[str, str], ...]


def temporary_pairs(place: int) -> Pairs:
    """Test addresses with prefix length for the link at this place of the plan, from the benchmarking blocks.

    198.18.0.0/15 (RFC 2544 C.2.2) and 2001:2::/48 (RFC 5180 s8); a network of its own for each link.
    """
    v4, v6 = f"198.18.{100 + place}", f"2001:2:0:{100 + place}"
    return (f"{v4}.1/24", f"{v4}.2/24"), (f"{v6}::1/64", f"{v6}::2/64")


def _plain(pairs: Pairs) -> Pairs:
    return tuple((mine.split("/")[0], theirs.split("/")[0]) for mine, theirs in pairs)


def _with_addresses(plan: Plan, cell: Cell, temporary: Mapping[str, Pairs]) -> Cell:
    """The cell with its links' temporary addresses as settings of both ends, there before anything else.

    Where the cell's MTU leaves no room for IPv6 (RFC 8200 s5) it has none of IPv6.
    """
    uses: list[SettingUse] = []
    for link in cell.links:
        ends = plan.links[link].ends
        small = any(small_mtu_at(cell, (end.host, end.selector)) for end in ends)
        pairs = temporary.get(link, ())[: 1 if small else 2]
        uses += [
            SettingUse(end.host, end.selector, TEST_ADDRESS, " ".join(pair[place] for pair in pairs), "address")
            for place, end in enumerate(ends)
            if pairs
        ]
    return replace(cell, settings=(*uses, *cell.settings))


def whole_schedule(plan: Plan, all_cells: Sequence[Cell], *, only_rehearse: bool = False) -> tuple[Trial, ...]:
    """The rehearsal at places below zero, and after it the plan's own schedule from 1."""
    rehearsed = rehearsal_cells(all_cells)
    first = tuple(
        Trial(place - len(rehearsed), cell.number, 0, 0, 0, "rehearse") for place, cell in enumerate(rehearsed)
    )
    if only_rehearse:
        return first
    return first + schedule(plan, all_cells)
