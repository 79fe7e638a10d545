"""The end of a run: the trial in flight abandoned, every host restored and let go, and what the exit code says."""

from __future__ import annotations

from orchestrator.decide.commands import Abandon, AcquireLease, Command, Finish, Release, Restart, Restore
from orchestrator.decide.restarting.power import reach
from orchestrator.decide.restarting.restarts import MOST_STARTS
from orchestrator.decide.starting import prepare
from orchestrator.decide.state import HostState, RunState

NOT_OURS = frozenset({"stale", "no_lease", "expired"})  # the host has another's record, or none
_STOPPED = {"interrupt": 130, "terminate": 143, "stop": 6, "bug": 4}


def wants_to_end(state: RunState) -> bool:
    """Nothing more is to be measured: refused, stopped, or the schedule is through."""
    through = state.began and not state.next_position() and (state.enough or not state.setup.open_ended)
    return bool(state.stop or state.refused or through)


def ending_commands(state: RunState) -> list[Command]:
    """The next steps of putting the hosts back; `Finish` when there is none left."""
    if state.flight:
        state.abandoned, state.flight = state.flight, None
        return [Abandon(state.abandoned.position, state.abandoned.attempt), *_restored(state)]
    commands = _restored(state)
    if commands or (state.awaits_hosts and not state.hurry):
        return commands
    state.exit_code = exit_code(state)
    return [Finish(state.exit_code)]


def _restored(state: RunState) -> list[Command]:
    if state.hurry:
        return []
    steps = [_next_step(state, name) for name, host in state.hosts.items() if not host.awaited]
    return [step for step in steps if step is not None]


def _next_step(state: RunState, name: str) -> Command | None:
    host = state.hosts[name]
    held = host.token > 0 or (host.changed and not host.as_found)
    if host.released or host.keeps_record or not held:
        return None
    if host.fault is not None:
        return _let_go_unchanged(state, host, name)
    return _put_back_next(state, host, name)


def _put_back_next(state: RunState, host: HostState, name: str) -> Command | None:
    if not host.connected:
        return reach(state, name)
    if host.token == 0:
        return AcquireLease(name)
    if host.changed and not host.prepared:  # it restarted, and something still differs from before the run
        return prepare(state, name)
    if host.changed and host.restored is None:
        return Restore(name)
    return _let_go(host, name)


def _let_go_unchanged(state: RunState, host: HostState, name: str) -> Command | None:
    """It takes no part, but where it was taken, is there and was never changed, nothing of ours has to stay on it."""
    unchanged = not state.began and host.connected and host.token > 0 and not host.changed and not host.own_faults
    return Release(name) if unchanged and (host.fault or {}).get("code") not in NOT_OURS else None


def _let_go(host: HostState, name: str) -> Command | None:
    """What could not be restored stays on the host's own record; what takes a restart is given one first."""
    if not host.as_found:
        return None
    if runs_changed(host):
        return Restart(name) if host.final_starts < MOST_STARTS else None
    return Release(name)


def runs_changed(host: HostState) -> bool:
    """Everything is restored, but it runs with what it was started with until it is started once more."""
    return bool(host.restored and host.restored.get("restart"))


def exit_code(state: RunState) -> int:
    """The most serious of what happened (design: 5, 4, 130/143, 6, 3, 2, 1)."""
    if any(not host.as_found or runs_changed(host) for host in state.hosts.values()):
        return 5
    if state.bug:
        return 4
    if state.refused:
        return 4 if state.refused.get("whose") == "ours" else 3
    if state.stop:
        return _STOPPED[state.stop["kind"]]
    return outcome_code(state)


def outcome_code(state: RunState) -> int:
    """0 when every trial is valid or accepted, else 1: what a run's trials make of its exit code."""
    fine = {"valid", *state.setup.accept}
    counted = [trial.position for trial in state.schedule if trial.role != "rehearse"] or list(state.outcomes)
    statuses = {
        ("suspect" if position in state.marks else outcome["status"])
        for position, outcome in state.outcomes.items()
        if position in counted
    }
    return 0 if statuses <= fine else 1
