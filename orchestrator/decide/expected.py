"""Whether an event is one that the state expects: an answer to what is awaited, a late one, or nobody's. Pure.

An answer is legitimately late when its command was given up while it was under way: its host's session was lost, or
its trial was abandoned. `recover` tells of its work unasked. Everything else that nobody has asked for is a fault of
ours, and is told with what happened last, never passed over.
"""

from __future__ import annotations

from enum import Enum, auto

from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.state import MOST_RECENT, Flight, RunState
from orchestrator.faults import FaultDict

_ANSWERS: dict[type[ev.Event], str] = {
    ev.Connected: do.Connect.__name__,
    ev.LeaseAcquired: do.AcquireLease.__name__,
    ev.WatchdogVerified: do.VerifyWatchdog.__name__,
    ev.Prepared: do.Prepare.__name__,
    ev.Applied: do.Apply.__name__,
    ev.Rejoined: do.Rejoin.__name__,
    ev.RestartAsked: do.Restart.__name__,
    ev.PowerCycled: do.PowerCycle.__name__,
    ev.Restored: do.Restore.__name__,
    ev.Released: do.Release.__name__,
}
_AT_ANY_TIME = (ev.StopAsked, ev.Resumed, ev.Marked)  # what people and processes do, whatever the state


class Standing(Enum):
    """What an event is to the state."""

    EXPECTED = auto()
    LATE = auto()
    UNEXPECTED = auto()


def standing(state: RunState, event: ev.Event) -> Standing:
    """What an event is to the state, before it is noted."""
    if isinstance(event, _AT_ANY_TIME):
        return Standing.EXPECTED
    if isinstance(event, ev.Conducted | ev.ConductBroken):
        return _of_a_trial(state, Flight(event.position, event.attempt))
    if isinstance(event, ev.Extended):
        return Standing.EXPECTED if state.considering else Standing.UNEXPECTED
    return _of_a_host(state, event)


def answered_command(event: ev.Event) -> str:
    """The name of the command that an event of a host answers; "" when it answers none."""
    if isinstance(event, ev.HostFailed | ev.SessionLost):
        return event.step
    return _ANSWERS.get(type(event), "")


def remember(state: RunState, item: ev.Event | do.Command) -> None:
    """Keep what happened last, in words, for whoever has to find out how something unexpected came about."""
    host = state.hosts.get(getattr(item, "host", ""))
    recent = host.recent if host else state.recent
    recent.append(_in_words(item))
    del recent[:-MOST_RECENT]


def unexpected(state: RunState, event: ev.Event) -> str:
    """What an event that nobody asked for was, what was awaited instead, and what had happened last."""
    name = getattr(event, "host", "")
    host = state.hosts.get(name)
    awaited = host.awaited if host else _awaited_of_the_run(state)
    recent = (host.recent if host else state.recent)[:-1]
    return (
        f"{_in_words(event)}{f' of {name}' if name else ''} was not expected; awaited: {awaited or 'nothing'}; "
        f"before it: {', '.join(recent) or 'nothing'}"
    )


def note_unexpected(state: RunState, event: ev.Event) -> None:
    """An event that nobody asked for changes nothing but that the run ends."""
    note_bug(state, {"message": unexpected(state, event)})


def note_bug(state: RunState, fault: FaultDict) -> None:
    """The run ends by a fault of ours, whatever else ends it."""
    state.bug = state.bug or str(fault.get("message", "unknown"))
    state.stop = state.stop or {"kind": "bug", "reason": state.bug}


def _of_a_trial(state: RunState, flight: Flight) -> Standing:
    if flight == state.flight:
        return Standing.EXPECTED
    return Standing.LATE if flight == state.abandoned else Standing.UNEXPECTED


def _of_a_host(state: RunState, event: ev.Event) -> Standing:
    host, command = state.hosts.get(getattr(event, "host", "")), answered_command(event)
    if host is None:
        return Standing.UNEXPECTED
    if isinstance(event, ev.SessionLost):  # noticed by a trial, a renewal or a command, and perhaps by each of them
        return Standing.EXPECTED if host.facts is not None else Standing.UNEXPECTED
    if command == host.awaited or _told_by_recover(event, recovered=host.recovered):
        return Standing.EXPECTED
    return Standing.LATE if command in host.late else Standing.UNEXPECTED


def _told_by_recover(event: ev.Event, *, recovered: bool) -> bool:
    """`recover` writes what it restored, and from which record, and then that the host is free."""
    return (isinstance(event, ev.Restored) and event.by_recover) or (isinstance(event, ev.Released) and recovered)


def _awaited_of_the_run(state: RunState) -> str:
    flight = state.flight
    trial = f"trial {flight.position}, attempt {flight.attempt}" if flight else ""
    return ", ".join(filter(None, [trial, do.Consider.__name__ if state.considering else ""]))


def _in_words(item: ev.Event | do.Command) -> str:
    """An event or a command by its name, with what tells it from another of its kind."""
    if isinstance(item, ev.HostFailed):
        return f"HostFailed({item.step}: {item.fault.get('code', '')})"
    if isinstance(item, ev.SessionLost):
        return f"SessionLost({item.fault.get('code', '')})"
    if isinstance(item, do.Conduct | do.Abandon | ev.Conducted | ev.ConductBroken):
        return f"{type(item).__name__}({item.position}, attempt {item.attempt})"
    return type(item).__name__
