"""From a plan to a run's setup: its cells, their order, and what the machine needs of the rest."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.decide.setup import LinkSetup, RunSetup
from orchestrator.planning import Plan, cells, schedule
from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial, replicate_range
from orchestrator.planning.rehearsal import rehearsal_cells


def compose(plan: Plan, *, run_id: str, holder: str, only_rehearse: bool = False) -> RunSetup:
    """The setup of one run of this plan; `holder` names us to whoever finds a host busy."""
    all_cells = cells(plan)
    links = tuple(
        LinkSetup(name=name, ends=tuple((end.host, end.selector) for end in link.ends),  # type: ignore[arg-type] # two
                  rate_bit_s=link.rate_bit_s, ports=tuple(link.ports), isolated=link.isolated,
                  addresses=None if isinstance(link.address, str) else (link.address[0], link.address[1]))
        for name, link in plan.links.items()
    )
    return RunSetup(
        run_id=run_id, plan_name=plan.plan, hosts=tuple(plan.hosts), links=links, cells=all_cells,
        schedule=whole_schedule(plan, all_cells, only_rehearse=only_rehearse),
        length_s=plan.trial.length_s, warmup_s=plan.trial.warmup_s, settle_s=plan.trial.settle_s,
        lease_s=plan.lease_s, patience_s=plan.patience_s, seed=plan.order.seed,
        changed_outside=plan.changed_outside, accept=tuple(plan.accept), holder=holder,
        costly=tuple(sorted(plan.costly)), precision_ratio=plan.trial.precision_ratio, budget_s=plan.budget_s,
        replicates_least=plan.trial.replicates, replicates_most=replicate_range(plan)[1],
    )


def whole_schedule(plan: Plan, all_cells: Sequence[Cell], *, only_rehearse: bool = False) -> tuple[Trial, ...]:
    """The rehearsal at places below zero, and after it the plan's own schedule from 1."""
    rehearsed = rehearsal_cells(all_cells)
    first = tuple(Trial(place - len(rehearsed), cell.number, 0, 0, 0, "rehearse")
                  for place, cell in enumerate(rehearsed))
    if only_rehearse:
        return first
    return first + schedule(plan, all_cells)
