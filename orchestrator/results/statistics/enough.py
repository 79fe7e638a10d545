"""Which trials a run is still worth: by the plan's precision, or by the time it may spend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from orchestrator.decide.reorder import grouped
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState
from orchestrator.planning.order import SplitMix, Trial
from orchestrator.results.statistics.stopping import LEAST, BudgetCell, PrecisionRule, next_round, precision


def more_trials(state: RunState) -> tuple[list[Trial], str]:
    """(the next block's trials, or none when it is enough; a sentence for the run's notes once it is)."""
    setup = state.setup
    if setup.budget_s is not None:
        return _within_budget(state, setup.budget_s)
    assert setup.precision_ratio is not None  # noqa: S101 - asked only of an open-ended run
    least = max(LEAST, setup.replicates_min)  # runs of earlier versions may ask for less
    rule = PrecisionRule(setup.precision_ratio, least, max(least, setup.replicates_most))
    open_cells = [cell.number for cell in setup.cells if _wants_more(state, cell.number, rule)]
    return _block(state, open_cells), "" if open_cells else _saved(state, rule)


def values_of(state: RunState, cell: int) -> dict[str, list[float]]:
    """Way -> goodput of a cell's valid trials, bit/s; suspect ones and those marked by hand are left out."""
    found: dict[str, list[float]] = {}
    for trial in state.schedule:
        outcome = state.outcomes.get(trial.position)
        if not outcome or trial.cell != cell or trial.role != "measure" or trial.position in state.marks:
            continue
        if outcome["status"] == "valid":
            for way, goodput in outcome["goodput_bit_s"].items():
                found.setdefault(way, []).append(goodput)
    return found


def asked(state: RunState, cell: int) -> int:
    """How many trials of a cell were scheduled so far, valid or not."""
    return sum(trial.cell == cell and trial.role == "measure" for trial in state.schedule)


def _wants_more(state: RunState, cell: int, rule: PrecisionRule) -> bool:
    """A cell that gave no valid trial at all is not asked for ever; each way must be precise enough."""
    ways = values_of(state, cell)
    if not ways or asked(state, cell) >= rule.max:
        return False
    return any(not precision(rule, values).enough for values in ways.values())


def _within_budget(state: RunState, budget_s: float) -> tuple[list[Trial], str]:
    took = {position: outcome.get("took_s", 0.0) for position, outcome in state.outcomes.items()}
    left_s = budget_s - sum(took.values())
    cells = []
    for cell in state.setup.cells:
        ways = values_of(state, cell.number)
        mine = [trial.position for trial in state.schedule if trial.cell == cell.number]
        own = [took[position] for position in mine if took.get(position)]
        if ways and own:
            widest = max(ways.values(), key=_spread)
            cells.append(BudgetCell(cell.number, widest, sum(own) / len(own)))
    chosen = list(next_round(cells, left_s, least=max(LEAST, state.setup.replicates_min)))
    return _block(state, chosen), "" if chosen else f"the budget of {budget_s:g} s is spent: {left_s:.0f} s left over"


def _spread(values: Sequence[float]) -> float:
    return (max(values) - min(values)) / max(values) if max(values) else 0.0


def _block(state: RunState, cells: Sequence[int]) -> list[Trial]:
    """One more replicate of these cells, shuffled by the run's seed, costly levels together."""
    setup: RunSetup = state.setup
    order = list(cells)
    block = max((trial.block for trial in state.schedule), default=0) + 1
    SplitMix(setup.seed + block).shuffle(order)
    first = max((trial.position for trial in state.schedule), default=0) + 1
    trials = [Trial(first + place, cell, _next_replicate(state, cell), block, 0) for place, cell in enumerate(order)]
    control = next((trial.cell for trial in state.schedule if trial.role == "control"), None)
    if trials and control is not None:
        moved = [replace(trial, position=trial.position + 1) for trial in trials]
        trials = [Trial(first, control, block, block, 0, "control"), *moved]
    plots = max((trial.whole_plot for trial in state.schedule), default=0)
    by_number = {cell.number: cell for cell in setup.cells}
    return [
        replace(trial, whole_plot=trial.whole_plot + plots)
        for trial in grouped(trials, by_number, frozenset(setup.costly))
    ]


def _next_replicate(state: RunState, cell: int) -> int:
    return max((trial.replicate for trial in state.schedule if trial.cell == cell), default=0) + 1


def _saved(state: RunState, rule: PrecisionRule) -> str:
    run = sum(asked(state, cell.number) for cell in state.setup.cells)
    fixed = rule.max * len(state.setup.cells)
    took = [outcome.get("took_s", 0.0) for position, outcome in state.outcomes.items() if position > 0]
    saved_s = (fixed - run) * (sum(took) / len(took) if took else 0.0)
    return (
        f"{run} trials gave the asked precision of {rule.precision_ratio:.1%} or reached {rule.max} replicates; "
        f"{rule.max} of every cell would have been {fixed}: {fixed - run} trials, about {saved_s:.0f} s, saved"
    )
