"""Hosts on their way to being ready: contacted, taken in sorted order, watchdog verified, before-values recorded."""

from __future__ import annotations

from orchestrator.decide.commands import AcquireLease, Command, Connect, Prepare, VerifyWatchdog
from orchestrator.decide.preflight import interfaces_used, preflight_problem
from orchestrator.decide.restarting.power import reach
from orchestrator.decide.shapes.uses import ToPrepare
from orchestrator.decide.state import RunState, all_places, known_before


def starting_commands(state: RunState) -> list[Command]:
    """What brings the hosts nearer to being ready; empty when all are, or when answers are awaited."""
    absent = {name: host for name, host in state.hosts.items() if not host.connected}
    if absent:
        return [_contact(state, name) for name, host in absent.items() if not host.awaited]
    if any(host.token == 0 for host in state.hosts.values()):
        return _take_next(state)
    return [command for name, host in state.hosts.items() if not host.awaited for command in _make_ready(state, name)]


def _contact(state: RunState, name: str) -> Command:
    """A host that may hold our lease is asked what became of it; any other is met for the first time."""
    return reach(state, name) if state.began or state.hosts[name].token else Connect(name)


def _take_next(state: RunState) -> list[Command]:
    """One host after the other, in sorted order, so that two controllers cannot wait for each other."""
    if not state.began and (problem := preflight_problem(state)):
        state.refused = problem.as_dict()
        return []
    if state.awaits_hosts:
        return []
    return [AcquireLease(min(name for name, host in state.hosts.items() if host.token == 0))]


def _make_ready(state: RunState, name: str) -> list[Command]:
    host = state.hosts[name]
    if not host.proven:
        return [VerifyWatchdog(name)]
    if not host.prepared:
        return [prepare(state, name)]
    return []


def prepare(state: RunState, name: str) -> Prepare:
    """Record a host's before-values; of places it has changed, those the run knows lead over what the host holds."""
    host = state.hosts[name]
    places: list[ToPrepare] = []
    for place, (_, use) in all_places(state, name).items():
        wanted: ToPrepare = {"setting": use["setting"], "target": use["target"], "level": use["level"]}
        if place in host.ours:
            wanted["known"] = known_before(host, place)
        places.append(wanted)
    return Prepare(name, interfaces_used(state, name), tuple(places))
