"""The whole state of a run, and questions about it.

Two rules for this file. Everything that a run knows is here, and nothing else remembers anything. The state changes
only through `machine.handle`; whoever holds it outside may read it, never assign to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from orchestrator.decide.as_found.stays import is_as_found
from orchestrator.decide.links.ends import target_of
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.shapes.host_facts import HostFacts, KernelFacts
from orchestrator.decide.shapes.run import Outcome, Stop
from orchestrator.decide.shapes.uses import AppliedUse, KnownPlace, RestoreResult, Use, Where
from orchestrator.faults import FaultDict
from orchestrator.planning.cells import BOOT_LINES, COMMAND, Cell, SettingUse, plain_level
from orchestrator.planning.order import Trial

UNKNOWN_LEVEL = "?unknown"  # what a place holds after a refused change, a lost session or a hand from outside
MOST_ATTEMPTS = 3  # a trial that breaks this often through no fault of its cell is `failed`
DEATHS_TO_SKIP = 2  # a host that restarted this often under the same level skips the rest of it
MOST_LOST_APPLIES = 5  # a change that always costs the session would be tried for ever
MOST_RECENT = 12  # how many of a host's latest events and commands are remembered, to be told with an unexpected one


class Place(NamedTuple):
    """What of a host a setting changes: the setting's name, and an interface, a command's name, or nothing."""

    setting: str
    target: str

    def __str__(self) -> str:
        """For people; no two places may be told apart by it."""
        return f"{self.setting} {self.target}".strip()


class Level(NamedTuple):
    """A setting at a level, whichever interface or host it is on; each of the plan's commands and files is its own."""

    setting: str
    factor: str  # of a command or a boot file's lines, of which a plan may have several
    text: str

    def __str__(self) -> str:
        """For people."""
        return f"{self.setting}={self.text}"


class AsFound(NamedTuple):
    """The way of one place back to how the host was found."""

    place: Place

    def __str__(self) -> str:
        """For people."""
        return f"{self.place} as found"


@dataclass(frozen=True)
class Flight:
    """A trial that is under way: its place in the schedule, and which attempt at it this is."""

    position: int
    attempt: int


@dataclass
class HostState:
    """One host as the run knows it."""

    awaited: str = ""  # the command whose answer is awaited; at most one
    late: list[str] = field(default_factory=list)  # commands given up with a lost session: answers may still come
    recent: list[str] = field(default_factory=list)  # the latest events and commands, the newest last
    recovered: bool = False  # restored by `recover`, which tells of it unasked
    own_faults: int = 0  # commands to it that met an error of ours
    facts: HostFacts | None = None
    connected: bool = False
    token: int = 0  # 0: the host's lease is not ours
    proven: bool = False
    prepared: bool = False
    before: dict[Place, object] = field(default_factory=dict)  # first value ever seen; the truth to restore
    places: dict[Place, Where] = field(default_factory=dict)
    before_levels: dict[Place, object] = field(default_factory=dict)  # the level each was first read with
    image: dict[str, object] | None = None
    instrument: dict[str, float] = field(default_factory=dict)
    levels: dict[Place, object] = field(default_factory=dict)  # absent means as found
    changed: bool = False  # an Apply was sent since the host was last as found
    last_applied: list[Use] = field(default_factory=list)  # the uses of the latest Apply
    ours: dict[Place, list[object]] = field(default_factory=dict)  # every level this run has given it
    in_doubt: set[Place] = field(default_factory=set)  # places of an Apply that was never answered: perhaps half done
    deaths: dict[Level, int] = field(default_factory=dict)  # restarts seen under it
    restart_wanted: bool = False  # what is written takes effect at its next start
    restarting: bool = False  # it was asked to; with another boot it is back
    starts: dict[Level | AsFound, int] = field(default_factory=dict)  # what waits for a restart -> those in vain
    final_starts: int = 0  # restarts at the end, for the way back to how it was found
    power: str = ""  # of a lost host: "wanted" or "switched"
    power_cycles: list[int] = field(default_factory=list)  # the trials in which its power was switched; 0: the end
    measured_with: list[KernelFacts] = field(default_factory=list)  # kernels that trials ran on, each once
    restored: RestoreResult | None = None
    released: bool = False
    keeps_record: bool = False  # it would not let us go
    fault: FaultDict | None = None  # why this host can take no further part

    @property
    def ready(self) -> bool:
        """Trials may use this host."""
        return self.connected and self.token > 0 and self.proven and self.prepared

    @property
    def as_found(self) -> bool:
        """The host was never changed, or its restoring was verified."""
        return not self.changed or bool(self.restored and is_as_found(self.restored))


@dataclass
class RunState:
    """One run. What is awaited of a host stands with the host; what is awaited of the run itself stands here."""

    setup: RunSetup
    hosts: dict[str, HostState]
    flight: Flight | None = None
    abandoned: Flight | None = None  # the trial that was stopped; its answer may still come
    considering: bool = False  # whether the schedule is to grow is being thought about
    began: bool = False  # some host may have been changed: from here on an error is no refusal
    position: int = 0  # of the trial at hand; 0 for none, below zero in the rehearsal
    attempt: int = 1
    applied: dict[str, list[AppliedUse]] = field(default_factory=dict)  # host -> what its settings took for this trial
    lost_applies: int = 0  # sessions that were lost while this trial's settings were being applied
    outcomes: dict[int, Outcome] = field(default_factory=dict)  # by position
    rescheduled: tuple[Trial, ...] | None = None  # what the rehearsal made of the setup's schedule
    costs_s: dict[str, float] = field(default_factory=dict)  # setting -> the longest change seen, with its readiness
    enough: bool = False  # an open-ended schedule needs nothing more
    marks: dict[int, str] = field(default_factory=dict)
    added: list[Trial] = field(default_factory=list)
    stop: Stop | None = None  # once the run is to end early
    refused: FaultDict | None = None  # the fault that ended the run before any change
    bug: str = ""  # the first error of ours; the run ends by it, whatever else happened
    hurry: bool = False  # asked twice to stop: leave the rest to the hosts' leases
    notes: list[str] = field(default_factory=list)
    recent: list[str] = field(default_factory=list)  # the latest events and commands that are no host's
    exit_code: int | None = None

    @property
    def awaits_hosts(self) -> bool:
        """Some host has not answered its command yet."""
        return any(host.awaited for host in self.hosts.values())

    @property
    def schedule(self) -> tuple[Trial, ...]:
        """The setup's schedule and what was added to it later."""
        return (*(self.rescheduled or self.setup.schedule), *self.added)

    @property
    def rehearsing(self) -> bool:
        """Some rehearsed trial has no outcome yet."""
        return any(trial.role == "rehearse" and trial.position not in self.outcomes for trial in self.setup.schedule)

    def trial(self, position: int) -> Trial:
        """The trial at this place of the schedule."""
        return next(trial for trial in self.schedule if trial.position == position)

    def next_position(self) -> int:
        """The first place of the schedule without an outcome; 0 when there is none."""
        return next((trial.position for trial in self.schedule if trial.position not in self.outcomes), 0)


def begin(setup: RunSetup) -> RunState:
    """The state of a run of which nothing has happened yet."""
    return RunState(setup=setup, hosts={name: HostState() for name in setup.hosts})


def facts_of(state: RunState) -> dict[str, HostFacts]:
    """What each host has told of itself; empty for one that was not reached yet."""
    return {name: host.facts or {} for name, host in state.hosts.items()}


def place_name(where: Where) -> Place:
    """The place that {"setting", "target"} names."""
    return Place(where["setting"], where["target"])


def acts_on_interface(where: Where) -> bool:
    """Whether a place's target is an interface; a command's and a boot file's is a name of the plan's own."""
    return bool(where["target"]) and where["setting"] not in (COMMAND, BOOT_LINES)


def place_of(use: SettingUse, host: HostState) -> Place:
    """The place a use changes: the setting and its target on the host."""
    return Place(use.setting, target_of(use, host.facts or {}))


def all_places(state: RunState, name: str) -> dict[Place, tuple[SettingUse, Use]]:
    """Every place on a host that some cell sets: place -> (a use of it, {"setting", "target", "level"})."""
    host = state.hosts[name]
    found: dict[Place, tuple[SettingUse, Use]] = {}
    for cell in state.setup.cells:
        for use in cell.settings:
            if use.host == name:
                place = place_of(use, host)
                target = target_of(use, host.facts or {})
                found.setdefault(place, (use, {"setting": use.setting, "target": target, "level": use.level}))
    return found


def known_before(host: HostState, place: Place) -> KnownPlace:
    """What the journal knows of a place, for a host whose own record is gone; `ours` tells our values from others'."""
    return {
        "setting": host.places[place]["setting"],
        "target": host.places[place]["target"],
        "level": host.before_levels.get(place),
        "value": host.before[place],
        "ours": host.ours.get(place, []),
        "unfinished": place in host.in_doubt,
    }


def changed_places(state: RunState, name: str) -> list[KnownPlace]:
    """What the journal knows of the places that the run has changed on a host, as its helper takes it."""
    host = state.hosts[name]
    return [known_before(host, place) for place in host.places if place in host.ours]


def use_of(where: Where, level: object) -> Use:
    """A place that is to be brought to a level."""
    return {"setting": where["setting"], "target": where["target"], "level": level}


def way_back(where: Where) -> Use:
    """A place that is to go back to how it was found."""
    return {"setting": where["setting"], "target": where["target"], "level": None, "as_found": True}


def refused_use(use: Use, why: str, code: str = "") -> AppliedUse:
    """A use that came to nothing."""
    refused: AppliedUse = {
        "setting": use["setting"],
        "target": use["target"],
        "level": use["level"],
        "ok": False,
        "seen": None,
        "why": why,
        "code": code,
    }
    if "as_found" in use:
        refused["as_found"] = use["as_found"]
    return refused


def wanted_levels(cell: Cell, name: str, host: HostState) -> dict[Place, object]:
    """Place -> level that the cell asks of a host; places it does not name stay as found."""
    return {place_of(use, host): use.level for use in cell.settings if use.host == name}


def level_name(use: SettingUse) -> Level:
    """A setting at a level, for people and for counting."""
    return Level(use.setting, use.factor if use.setting in (COMMAND, BOOT_LINES) else "", str(plain_level(use)))


def restart_places(state: RunState, name: str) -> set[Place]:
    """The places on a host whose levels take a restart."""
    host = state.hosts[name]
    return {place_of(use, host) for use in state.setup.restarting_uses if use.host == name}


def restart_uses(state: RunState, name: str) -> list[Use]:
    """Every level of the plan that takes a restart of a host, each once."""
    host = state.hosts[name]
    found: list[Use] = []
    for use in state.setup.restarting_uses:
        one: Use = {"setting": use.setting, "target": target_of(use, host.facts or {}), "level": use.level}
        if use.host == name and one not in found:
            found.append(one)
    return found


def needed_uses(cell: Cell, name: str, host: HostState) -> list[Use]:
    """The changes that bring a host from its present levels to the cell's, in the order they were first prepared."""
    wanted = wanted_levels(cell, name, host)
    uses: list[Use] = []
    for place, where in host.places.items():
        if place in wanted and host.levels.get(place) != wanted[place]:
            uses.append(use_of(where, wanted[place]))
        elif place not in wanted and place in host.levels:
            uses.append(way_back(where))
    return uses
