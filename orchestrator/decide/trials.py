"""From one trial to the next: what must change on which host, then the trial itself."""

from __future__ import annotations

from orchestrator.decide.commands import Apply, Command, Conduct, Consider, Restart
from orchestrator.decide.foreseen import why_foreseen
from orchestrator.decide.restarting.restarts import only_first_phase
from orchestrator.decide.shapes.uses import Use
from orchestrator.decide.state import Flight, HostState, RunState, needed_uses, place_name


def start_over(state: RunState, attempt: int = 1) -> None:
    """Forget how far the trial at hand had come: its settings are looked at again."""
    state.applied, state.lost_applies = {}, 0
    state.position = 0
    state.attempt = attempt


def _consider(state: RunState) -> list[Command]:
    """Whether an open-ended schedule is to grow is asked once each time it is through."""
    if not state.setup.open_ended or state.enough or state.considering:
        return []
    state.considering = True
    return [Consider()]


def _note_intent(host: HostState, uses: list[Use]) -> None:
    """From here on, until the answer, each place may hold its new level, the old one, or something between."""
    host.changed = True
    host.last_applied = uses
    for use in uses:
        levels = host.ours.setdefault(place_name(use), [])
        if not use.get("as_found") and use["level"] not in levels:
            levels.append(use["level"])
        host.in_doubt.add(place_name(use))


def trial_commands(state: RunState) -> list[Command]:
    """Apply what differs on the hosts, then conduct the trial; empty while answers are awaited or none is left."""
    if state.flight or state.awaits_hosts:
        return []
    if state.position in state.outcomes:  # left out while its settings were applied: a host has died of them twice
        start_over(state)
    if not state.position:
        state.position = state.next_position()
    if not state.position:
        return _consider(state)
    cell = state.setup.cell(state.trial(state.position).cell)
    commands: list[Command] = []
    foreseen = bool(why_foreseen(state, cell))  # then nothing is changed for it: the trial only says why
    for name, host in state.hosts.items():
        if host.restart_wanted:
            commands.append(Restart(name))
            continue
        if foreseen:
            continue
        uses = only_first_phase(state, cell, name, needed_uses(cell, name, host))
        if uses and name not in state.applied:
            _note_intent(host, uses)
            commands.append(Apply(name, state.position, tuple(uses)))
    if commands:
        return commands
    state.flight = Flight(state.position, state.attempt)
    return [Conduct(state.position, state.attempt)]
