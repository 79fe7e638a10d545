"""What can happen to a run. Every event is plain data, so that the journal can hold it and replay it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from orchestrator.decide.shapes.host_facts import HostFacts
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.shapes.run import StoredTrial, ToldVerdict
from orchestrator.decide.shapes.uses import AppliedUse, Reading, RestoreResult
from orchestrator.faults import FaultDict
from orchestrator.stored import Json, fitting


@dataclass(frozen=True)
class Event:
    """Something that happened; subclasses are the closed list of what can."""


@dataclass(frozen=True)
class Connected(Event):
    """A host answered and its helper told what it is."""

    host: str
    facts: HostFacts


@dataclass(frozen=True)
class HostFailed(Event):
    """A command to a host did not succeed; `step` is the command's name."""

    host: str
    step: str
    fault: FaultDict


@dataclass(frozen=True)
class LeaseAcquired(Event):
    """The host granted its lease to this run."""

    host: str
    token: int
    earlier: Json | None = None


@dataclass(frozen=True)
class WatchdogVerified(Event):
    """The watchdog was seen alive from a new session after the one that started it had ended."""

    host: str
    seen: Json


@dataclass(frozen=True)
class Prepared(Event):
    """The before-values are on the host's own record, and now in the journal: changes may begin."""

    host: str
    before: list[Reading]
    image: Json | None  # None where a host could make none
    instrument: dict[str, float] = field(default_factory=dict)  # transport -> the pair's self-test there, bit/s
    cannot: list[str] = field(default_factory=list)  # why it cannot have levels that take a restart


@dataclass(frozen=True)
class Applied(Event):
    """What each setting took, as read back by the host."""

    host: str
    position: int
    uses: list[AppliedUse]


@dataclass(frozen=True)
class Conducted(Event):
    """A trial was conducted, or found impossible; `record` holds what was seen, `verdict` what it is worth."""

    position: int
    attempt: int
    record: TrialRecord
    verdict: ToldVerdict


@dataclass(frozen=True)
class ConductBroken(Event):
    """The trial in flight could not be finished, through no property of its cell; it will be repeated."""

    position: int
    attempt: int
    fault: FaultDict


@dataclass(frozen=True)
class SessionLost(Event):
    """The SSH session of a host ended without our asking; `step` is the command that met it, "" when none did."""

    host: str
    fault: FaultDict
    step: str = ""


@dataclass(frozen=True)
class Rejoined(Event):
    """A lost host is back. `outcome`: kept (lease still ours), reverted (it had restored itself), rebooted.

    `as_found` says whether every place of the run reads as before it; certain only when the lease was not kept.
    """

    host: str
    outcome: str
    token: int
    facts: HostFacts
    as_found: bool = False


@dataclass(frozen=True)
class RestartAsked(Event):
    """A host was asked to restart, and goes down; `sure` is false when its answer was lost with the session."""

    host: str
    sure: bool = True


@dataclass(frozen=True)
class PowerCycled(Event):
    """The plan's command has switched a host's power off and on."""

    host: str


@dataclass(frozen=True)
class Restored(Event):
    """What the host restored, what stayed, and how its image differs from before."""

    host: str
    result: RestoreResult

    @property
    def by_recover(self) -> bool:
        """Told by `recover`, which asks the host without the run's state machine, and says from which record."""
        return "source" in self.result


@dataclass(frozen=True)
class Released(Event):
    """The host forgot this run: lease, watchdog and record are gone."""

    host: str


@dataclass(frozen=True)
class StopAsked(Event):
    """Somebody wants the run to end: `interrupt`, `terminate`, `stop` with a reason of our own, `bug`."""

    kind: str
    reason: str = ""


@dataclass(frozen=True)
class Resumed(Event):
    """Another process took the run up again; hosts must be contacted anew."""

    again: list[int] = field(default_factory=list)
    added: list[StoredTrial] = field(default_factory=list)


@dataclass(frozen=True)
class Extended(Event):
    """What was added to the schedule, and why; nothing added: it is enough."""

    trials: list[StoredTrial]
    reason: str = ""


@dataclass(frozen=True)
class Marked(Event):
    """A person called a finished trial doubtful, or took that back (`reason` empty)."""

    position: int
    reason: str


EVENTS: dict[str, type[Event]] = {kind.__name__: kind for kind in Event.__subclasses__()}


def event_to_dict(event: Event) -> Json:
    """The event as the journal holds it."""
    return {"event": type(event).__name__, **vars(event)}


def event_from_dict(data: Mapping[str, Any]) -> Event:
    """The event that the journal holds; ValueError when it is none that this version knows."""
    kind = EVENTS.get(str(data.get("event")))
    if kind is None:
        raise ValueError(f"{str(data.get('event'))[:60]!r} is no event of a run")
    event: Event = fitting(kind, {key: value for key, value in data.items() if key != "event"})
    return event
