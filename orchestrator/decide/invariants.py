"""What holds of a run's state after every event, whatever happened. Pure.

Looked at after every event in every simulated run; a run itself does not spend its time on it.
"""

from __future__ import annotations

from orchestrator.decide import commands as do
from orchestrator.decide.state import MOST_RECENT, UNKNOWN_LEVEL, RunState

HOST_COMMANDS = frozenset(kind.__name__ for kind in do.HostCommand.__subclasses__())


def broken_invariants(state: RunState) -> list[str]:
    """The invariants that do not hold, each as a sentence."""
    return [*_of_hosts(state), *_of_the_run(state)]


def _of_hosts(state: RunState) -> list[str]:
    broken = []
    for name, host in state.hosts.items():
        broken += [
            words
            for holds, words in (
                (
                    not host.awaited or host.awaited in HOST_COMMANDS,
                    f"{name}: awaits {host.awaited}, which is no command",
                ),
                (set(host.late) <= HOST_COMMANDS, f"{name}: late answers to {host.late}"),
                (len(host.recent) <= MOST_RECENT, f"{name}: remembers {len(host.recent)} events"),
                (host.token >= 0, f"{name}: token {host.token}"),
                (host.awaited not in ("Apply", "Restore") or host.token > 0, f"{name}: changed without its lease"),
                (
                    state.flight is None or host.awaited not in ("Apply", "Restore", "Restart", "Release"),
                    f"{name}: {host.awaited} while a trial is under way",
                ),
                (not host.ready or host.facts is not None, f"{name}: ready, but nothing is known of it"),
                (not host.released or host.token == 0, f"{name}: released, but its lease is held"),
                (set(host.levels) <= set(host.places), f"{name}: levels of places that were never prepared"),
                (set(host.places) == set(host.before), f"{name}: places without a before-value"),
                (set(host.ours) <= set(host.before), f"{name}: changed without a before-value"),
                (
                    host.changed or all(level == UNKNOWN_LEVEL for level in host.levels.values()),
                    f"{name}: has levels of ours, but counts as unchanged",
                ),
            )
            if not holds
        ]
    return broken


def _of_the_run(state: RunState) -> list[str]:
    positions = {trial.position for trial in state.schedule}
    over = state.exit_code is not None
    return [
        words
        for holds, words in (
            (len(positions) == len(state.schedule), "two trials have one number in the schedule"),
            (set(state.outcomes) <= positions, "an outcome of a trial that is not in the schedule"),
            (
                state.flight is None or state.flight.position in positions,
                "a trial under way that is not in the schedule",
            ),
            (
                state.flight is None or state.flight.position not in state.outcomes,
                "a trial under way that has an outcome",
            ),
            (
                state.flight is None or all(host.before is not None for host in state.hosts.values()),
                "measured unprepared",
            ),
            (not state.position or state.position in positions, "at a trial that is not in the schedule"),
            (not state.bug or state.stop is not None, "an error of ours that does not stop the run"),
            (not (over and state.flight), "over, with a trial under way"),
            (
                not over or state.hurry or state.bug or not state.awaits_hosts or state.exit_code == 5,
                "over, with answers awaited",
            ),
            (
                over or state.flight or state.considering or state.awaits_hosts or not _can_go_on(state),
                "not over, and nothing is awaited",
            ),
        )
        if not holds
    ]


def _can_go_on(state: RunState) -> bool:
    """Some command has been asked for: only a run's very beginning has none behind it."""
    return bool(state.recent or any(host.recent for host in state.hosts.values()))
