"""What changes cost, as the rehearsal has seen it: costly ones become whole plots. Pure."""

from __future__ import annotations

from orchestrator.decide import events as ev
from orchestrator.decide.reorder import COSTLY_S, grouped
from orchestrator.decide.state import RunState, acts_on_interface


def note_costs(state: RunState, event: ev.Conducted) -> None:
    """What a change of each setting cost in the rehearsal; at its end the costly ones become whole plots."""
    if state.trial(event.position).role != "rehearse":
        return
    for name, uses in state.applied.items():
        waited_s = float(event.record["ready"].get(name, {}).get("waited_s", 0.0))
        for use in uses:
            on_interface = waited_s if acts_on_interface(use) else 0.0
            cost_s = float(use.get("took_s", 0.0)) + on_interface
            state.costs_s[use["setting"]] = max(state.costs_s.get(use["setting"], 0.0), cost_s)
    found = {setting for setting, cost_s in state.costs_s.items() if cost_s >= COSTLY_S} - set(state.setup.costly)
    if found and not state.rehearsing:
        schedule = state.setup.schedule
        rehearsed = tuple(trial for trial in schedule if trial.role == "rehearse")
        cells = {cell.number: cell for cell in state.setup.cells}
        rest = grouped(schedule[len(rehearsed) :], cells, frozenset(found | set(state.setup.costly)))
        state.rescheduled = rehearsed + rest
        state.notes.append(f"changing {', '.join(sorted(found))} takes long here: trials are grouped around it")
