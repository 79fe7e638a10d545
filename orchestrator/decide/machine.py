"""The run's one entry: `handle(state, event) -> commands`.

How it works. An event is first *noted*: one small function per kind of event writes what happened into the state and
decides nothing (`_NOTE`, below). Then `advance` looks at the state alone and says what is to be done next. Since
nothing but the state is looked at, the same state always leads to the same commands, however it came about: an
ordinary start, a host that came back, a run that another process resumed. At most one command per host is awaited.
An event that nobody asked for (`expected.py`) changes nothing but that the run ends, by a fault of ours.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from orchestrator.decide import events as ev
from orchestrator.decide.as_found.external_changes import note_external, note_found_before
from orchestrator.decide.as_found.somebody_else import CHANGED_OUTSIDE
from orchestrator.decide.commands import Command
from orchestrator.decide.costs import note_costs
from orchestrator.decide.ending import ending_commands, wants_to_end
from orchestrator.decide.expected import Standing, answered_command, note_bug, note_unexpected, remember, standing
from orchestrator.decide.restarting.deaths import count_death, note_lost_apply
from orchestrator.decide.restarting.kernels import note_kernels
from orchestrator.decide.restarting.power import NO_LIFE, WANTED, by_hand, may_switch
from orchestrator.decide.restarting.restarts import note_applied, note_back
from orchestrator.decide.shapes.uses import RestoreResult
from orchestrator.decide.starting import starting_commands
from orchestrator.decide.state import (
    MOST_ATTEMPTS,
    UNKNOWN_LEVEL,
    HostState,
    Place,
    RunState,
    place_name,
    refused_use,
    restart_places,
)
from orchestrator.decide.trials import start_over, trial_commands
from orchestrator.faults import FaultDict
from orchestrator.planning.order import Trial
from orchestrator.planning.systems import NOT_WATCHED

LEASE_IS_GONE = frozenset({"stale", "expired", "no_lease", "not_prepared"})
NOT_AS_FOUND = "not_as_found"  # a host owes what an earlier process of this run changed, and cannot pay all of it
BROKEN_OFF = "broken_off"  # a trial without a record, in the end
WATCHDOG_DIES = "watchdog_dies"  # it did not outlive the session that started it
_AFTER_THE_END = (ev.Resumed, ev.Marked, ev.Restored, ev.Released)
MOST_OWN_FAULTS = 3  # of commands to one host, at the end of a run
# The host cannot look after itself, or is at a limit of its own: no property of a cell.
HOST_IS_UNFIT = frozenset({"record", "locked", "watchdog", "exhausted", "memory"})


def handle(state: RunState, event: ev.Event) -> list[Command]:
    """Note what happened, then say what is to be done.

    Of a finished run nothing is wanted any more; a host that is recovered afterwards, or a trial that a person calls
    doubtful, is noted all the same.
    """
    if state.exit_code is not None and not isinstance(event, _AFTER_THE_END):
        return []
    if state.exit_code is not None and isinstance(event, ev.Restored | ev.Released):  # recovered afterwards
        _NOTE[type(event)](state, event)
        return []
    remember(state, event)
    note = {Standing.EXPECTED: _NOTE[type(event)], Standing.LATE: _late, Standing.UNEXPECTED: note_unexpected}
    note[standing(state, event)](state, event)
    return [] if isinstance(event, ev.Marked) else advance(state)


def advance(state: RunState) -> list[Command]:
    """What is to be done next, from the state alone; notes what is awaited from now on."""
    ends = wants_to_end(state)
    commands = ending_commands(state) if ends else starting_commands(state)
    if not ends and not commands and not state.refused and all(host.ready for host in state.hosts.values()):
        commands = trial_commands(state)
    if not ends and not commands and wants_to_end(state):  # refused by its hosts' facts, or the schedule has run out
        commands = ending_commands(state)
    for command in commands:
        remember(state, command)
        host = getattr(command, "host", None)
        if host is not None:
            state.hosts[host].awaited = type(command).__name__
    return commands


def note_end_by_records(state: RunState, code: int, found: Mapping[str, RestoreResult]) -> None:
    """The run was ended without the machine; `found` is what each host did by its own record, as Restored has it."""
    state.exit_code = code
    for name, result in found.items():
        host = state.hosts[name]
        host.restored, host.changed = result, host.changed or bool(result["left"] or result["conflicts"])
        host.released = host.as_found


def _late(state: RunState, event: ev.Event) -> None:
    """An answer to a command that was given up. What a lost answer would leave open stays open, but for what the host
    cannot be asked again: that it goes down at our wish, and what it could not restore.
    """
    if isinstance(event, ev.Conducted | ev.ConductBroken):
        state.abandoned = None
        return
    host = state.hosts[event.host]  # type: ignore[attr-defined] # only trials and hosts have late answers
    host.late.remove(answered_command(event))
    if isinstance(event, ev.RestartAsked) and not host.connected:
        _goes_down(host)
    elif isinstance(event, ev.HostFailed):
        _note_what_stays(host, event.fault)
        if event.fault.get("whose") == "ours":
            note_bug(state, event.fault)


def _connected(state: RunState, event: ev.Connected) -> None:
    host = _answered(state, event.host)
    host.connected, host.facts = True, event.facts
    note = f"{event.host}: {NOT_WATCHED}"
    if event.host in state.setup.bsd_hosts and note not in state.notes:
        state.notes.append(note)


def _host_failed(state: RunState, event: ev.HostFailed) -> None:
    host = _answered(state, event.host)
    code = str(event.fault.get("code", ""))
    _note_what_stays(host, event.fault)
    if code in LEASE_IS_GONE and state.began:
        host.connected = False  # a new session asks the host itself what became of our lease
        note_lost_apply(state, event)
    elif event.fault.get("whose") == "ours":
        _own_fault(state, event, host)
    elif event.step == "Apply":
        _apply_failed(state, event, host)
    elif event.step == "Restart":
        _restart_refused(state, event, host)
    elif event.step == "Rejoin" and may_switch(state, event.host, code):
        host.power = WANTED
    elif event.step == "Release":
        host.fault, host.keeps_record = host.fault or event.fault, True
        state.notes.append(f"{event.host}: was restored, but keeps its record until its lease ends")
    elif not state.began:
        state.refused = state.refused or event.fault
        host.fault = event.fault
    else:
        if code != WATCHDOG_DIES:  # a host that answers us but cannot keep itself is restored by us, now
            host.fault = event.fault
        if event.step == "Rejoin" and code in NO_LIFE:
            state.notes.append(by_hand(state, event.host))
        state.stop = state.stop or {"kind": "stop", "reason": str(event.fault.get("message", code))}


def _own_fault(state: RunState, event: ev.HostFailed, host: HostState) -> None:
    """Our own fault says nothing of the host or the cell: the run ends, and the host is restored and let go all the
    same, tried a few times, since what failed may not fail again.
    """
    note_bug(state, event.fault)
    host.own_faults += 1
    if event.step == "Apply":
        _forget_last_levels(host)
    if host.own_faults >= MOST_OWN_FAULTS:
        host.fault = event.fault


def _note_what_stays(host: HostState, fault: FaultDict) -> None:
    """A host that says itself what it could not restore is not as found, whatever was believed before."""
    if fault.get("code") == NOT_AS_FOUND:
        host.changed = True
        values = fault["values"]
        host.restored = {
            "left": values.get("left", []),
            "conflicts": values.get("conflicts", []),
            "restored": [],
            "differences": {},
        }


def _apply_failed(state: RunState, event: ev.HostFailed, host: HostState) -> None:
    _forget_last_levels(host)
    why = str(event.fault.get("message", "refused"))
    if event.fault.get("code") in HOST_IS_UNFIT:
        state.stop = state.stop or {"kind": "stop", "reason": why}
        return
    code = event.fault.get("code", "")
    state.applied[event.host] = [refused_use(use, why, code) for use in host.last_applied]


def _restart_refused(state: RunState, event: ev.HostFailed, host: HostState) -> None:
    """The host cannot be restarted: its cell is impossible, and at the end it is said what it still runs with."""
    host.restart_wanted = False
    if host.restored is not None:
        host.fault = event.fault
        state.notes.append(
            f"{event.host}: is restored, but runs as a trial started it until it is restarted by hand: "
            f"{event.fault.get('message', '')}"
        )
    else:
        _apply_failed(state, event, host)


def _forget_last_levels(host: HostState) -> None:
    for use in host.last_applied:
        host.levels[place_name(use)] = UNKNOWN_LEVEL


def _taken(state: RunState, event: ev.LeaseAcquired) -> None:
    host = _answered(state, event.host)
    host.token, host.released, host.restored = event.token, False, None
    if event.earlier:
        state.notes.append(f"{event.host}: an earlier run had left its record; it had been restored")


def _watchdog_verified(state: RunState, event: ev.WatchdogVerified) -> None:
    _answered(state, event.host).proven = True


def _prepared(state: RunState, event: ev.Prepared) -> None:
    host = _answered(state, event.host)
    for item in event.before:
        place = place_name(item)
        host.before.setdefault(place, item["value"])  # the first value ever seen is the truth
        host.places[place] = {"setting": item["setting"], "target": item["target"]}
        host.before_levels.setdefault(place, item.get("level"))
    host.image = host.image or event.image
    host.instrument = host.instrument or event.instrument
    for why in event.cannot:
        note = f"{event.host}: {why}; its cells will be impossible"
        state.notes += [] if note in state.notes else [note]
    started = restart_places(state, event.host) & set(host.ours)  # it may run with any of them
    host.prepared, host.levels = True, dict.fromkeys(sorted(started), UNKNOWN_LEVEL)
    if all(other.prepared for other in state.hosts.values()):
        state.began = True


def _applied(state: RunState, event: ev.Applied) -> None:
    host = _answered(state, event.host)
    host.in_doubt.clear()
    if event.position != state.position:
        return
    state.applied[event.host] = event.uses
    for use in event.uses:
        place = place_name(use)
        if not use["ok"]:
            host.levels[place] = UNKNOWN_LEVEL
        elif use.get("restart"):
            host.levels[place] = UNKNOWN_LEVEL  # written, and in effect only when it has come back
        elif use.get("as_found"):
            host.levels.pop(place, None)
        else:
            host.levels[place] = use["level"]
    note_applied(state, event.host, event.uses)
    note_found_before(state, event)


def _conducted(state: RunState, event: ev.Conducted) -> None:
    state.flight = None
    verdict = event.verdict
    state.outcomes[event.position] = {
        "status": verdict["status"],
        "doubts": list(verdict["doubts"]),
        "reason": verdict["reason"],
        "attempt": event.attempt,
        "goodput_bit_s": dict(verdict.get("goodput_bit_s") or {}),
        "fill": dict(verdict.get("fill") or {}),
        "took_s": float(event.record.get("took_s") or 0.0),
    }
    if state.trial(event.position).role != "rehearse":
        note_kernels(state)
    note_costs(state, event)
    note_external(state, event.verdict.get("changed_outside") or [], f"in trial {event.position}")
    state.notes += [note for note in event.record.get("only_ssh_renews") or () if note not in state.notes]
    start_over(state, attempt=1)


def _conduct_broken(state: RunState, event: ev.ConductBroken) -> None:
    state.flight = None
    note_external(
        state, event.fault.get("values", {}).get("changed") or [], f"in trial {event.position}, attempt {event.attempt}"
    )
    if event.attempt >= MOST_ATTEMPTS:
        doubts = [BROKEN_OFF, *([CHANGED_OUTSIDE] if event.fault.get("code") == CHANGED_OUTSIDE else [])]
        state.outcomes[event.position] = {
            "status": "failed",
            "doubts": doubts,
            "attempt": event.attempt,
            "reason": str(event.fault.get("message", "broken off")),
        }
        start_over(state, attempt=1)
    else:
        start_over(state, attempt=event.attempt + 1)


def _session_lost(state: RunState, event: ev.SessionLost) -> None:
    host = state.hosts[event.host]
    if event.step in host.late:
        host.late.remove(event.step)
    if event.step == host.awaited:
        host.awaited = ""
    if not host.connected:  # noticed twice: by the trial and by a renewal
        return
    if host.awaited:
        host.late.append(host.awaited)
    host.awaited, host.connected = "", False
    _forget_last_levels(host)
    note_lost_apply(state, event)


def _restart_asked(state: RunState, event: ev.RestartAsked) -> None:
    host = _answered(state, event.host)
    host.connected = False
    _goes_down(host)


def _goes_down(host: HostState) -> None:
    host.restart_wanted, host.restarting = False, True
    host.final_starts += host.restored is not None


def _rejoined(state: RunState, event: ev.Rejoined) -> None:
    host = _answered(state, event.host)
    asked, host.restarting, host.restart_wanted = host.restarting or host.restart_wanted, False, False
    host.connected, host.facts, host.power = True, event.facts, ""
    if asked:
        note_back(host)
    if event.outcome == "kept":
        host.token = event.token
        host.levels = dict.fromkeys(host.levels, UNKNOWN_LEVEL)  # applied again: cheap, and certain
        return
    host.token, host.prepared, host.levels = event.token, False, {}
    state.applied.pop(event.host, None)
    host.changed = host.changed and not event.as_found
    if asked and event.outcome == "rebooted":
        way_back = host.restored if event.as_found else None
        host.restored = {**way_back, "restart": [], "facts": event.facts} if way_back else None
        return
    state.notes.append(
        f"{event.host}: {'restarted' if event.outcome == 'rebooted' else 'had restored itself'}; taken again"
    )
    if event.outcome == "rebooted":
        count_death(state, host)


def _power_cycled(state: RunState, event: ev.PowerCycled) -> None:
    _answered(state, event.host)
    state.notes.append(f"{event.host}: gave no sign of life; its power was switched off and on")


def _restored(state: RunState, event: ev.Restored) -> None:
    host = state.hosts[event.host] if event.by_recover else _answered(state, event.host)
    host.recovered = event.by_recover
    host.restored, host.levels = event.result, {}
    host.in_doubt.clear()
    for one in event.result.get("accepted") or ():
        if "setting" not in one:
            continue
        place = Place(one["setting"], one["target"])
        for known in (host.before, host.before_levels, host.ours):  # what its owner keeps is what is found from now on
            known.pop(place, None)
        host.image = None


def _released(state: RunState, event: ev.Released) -> None:
    host = state.hosts[event.host] if state.hosts[event.host].recovered else _answered(state, event.host)
    host.changed = host.changed and not host.as_found
    host.released, host.token, host.prepared, host.proven = True, 0, False, False


def _stop_asked(state: RunState, event: ev.StopAsked) -> None:
    if event.kind == "bug":
        state.bug = state.bug or event.reason
    state.hurry = state.hurry or (state.stop is not None and event.kind in ("interrupt", "terminate"))
    state.stop = state.stop or {"kind": event.kind, "reason": event.reason}


def _resumed(state: RunState, event: ev.Resumed) -> None:
    """Another process goes on: no session is open, nothing is awaited, and what was applied is no longer certain."""
    state.flight, state.abandoned, state.considering = None, None, False
    state.stop, state.refused, state.hurry, state.exit_code, state.bug = None, None, False, None, ""
    state.added.extend(Trial(**trial) for trial in event.added)
    for position in event.again:
        state.outcomes.pop(position, None)
    start_over(state, attempt=state.attempt + 1 if state.position else 1)
    for host in state.hosts.values():
        host.connected, host.proven, host.fault, host.restored = False, False, None, None
        host.awaited, host.late, host.recovered, host.own_faults = "", [], False, 0
        host.power, host.final_starts = "", 0
        host.released = host.keeps_record = False
        host.levels = dict.fromkeys(host.levels, UNKNOWN_LEVEL)


def _extended(state: RunState, event: ev.Extended) -> None:
    state.considering = False
    state.added.extend(Trial(**trial) for trial in event.trials)
    state.enough = not event.trials
    if event.reason:
        state.notes.append(event.reason)


def _marked(state: RunState, event: ev.Marked) -> None:
    if event.reason:
        state.marks[event.position] = event.reason
    else:
        state.marks.pop(event.position, None)


def _answered(state: RunState, name: str) -> HostState:
    state.hosts[name].awaited = ""
    return state.hosts[name]


_NOTE: dict[type[ev.Event], Callable[..., None]] = {
    ev.Connected: _connected,
    ev.HostFailed: _host_failed,
    ev.LeaseAcquired: _taken,
    ev.WatchdogVerified: _watchdog_verified,
    ev.Prepared: _prepared,
    ev.Applied: _applied,
    ev.Conducted: _conducted,
    ev.ConductBroken: _conduct_broken,
    ev.SessionLost: _session_lost,
    ev.Rejoined: _rejoined,
    ev.Restored: _restored,
    ev.Released: _released,
    ev.StopAsked: _stop_asked,
    ev.Resumed: _resumed,
    ev.Extended: _extended,
    ev.Marked: _marked,
    ev.PowerCycled: _power_cycled,
    ev.RestartAsked: _restart_asked,
}
