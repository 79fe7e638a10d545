"""The whole state of a run, and questions about it.

Two rules for this file. Everything that a run knows is here, and nothing else remembers anything. The state changes
only through `machine.handle`; whoever holds it outside may read it, never assign to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from orchestrator.decide.ends import target_of
from orchestrator.decide.setup import RunSetup
from orchestrator.planning.cells import Cell, SettingUse, plain_level
from orchestrator.planning.order import Trial

Json = dict[str, Any]

UNKNOWN_LEVEL = "?unknown"  # what a place holds after a refused change, a lost session or a hand from outside
MOST_ATTEMPTS = 3  # a trial that breaks this often through no fault of its cell is `failed`
DEATHS_TO_SKIP = 2  # a host that restarted this often under the same level skips the rest of it


@dataclass
class HostState:
    """One host as the run knows it."""

    facts: Json | None = None
    connected: bool = False
    token: int = 0  # 0: the host's lease is not ours
    proven: bool = False
    prepared: bool = False
    before: dict[str, Any] = field(default_factory=dict)  # place -> first value ever seen; the truth to restore
    places: dict[str, Json] = field(default_factory=dict)  # place -> {"setting", "target"}
    before_levels: dict[str, Any] = field(default_factory=dict)  # place -> the level it was first read with
    image: Json | None = None
    instrument: dict[str, float] = field(default_factory=dict)
    levels: dict[str, Any] = field(default_factory=dict)  # place -> level; absent means as found
    changed: bool = False  # an Apply was sent since the host was last as found
    last_applied: list[Json] = field(default_factory=list)  # the uses of the latest Apply
    ours: dict[str, list[Any]] = field(default_factory=dict)  # place -> every level this run has given it
    in_doubt: set[str] = field(default_factory=set)  # places of an Apply that was never answered: perhaps half done
    deaths: dict[str, int] = field(default_factory=dict)  # "setting=level" -> restarts seen under it
    restart_wanted: bool = False  # what is written takes effect at its next start
    restarting: bool = False  # it was asked to; with another boot it is back
    starts: dict[str, int] = field(default_factory=dict)  # level that waits for a restart -> restarts so far in vain
    final_starts: int = 0  # restarts at the end, for the way back to how it was found
    power: str = ""  # of a lost host: "wanted" or "switched"
    power_cycles: list[int] = field(default_factory=list)  # the trials in which its power was switched; 0: the end
    measured_with: list[Json] = field(default_factory=list)  # kernels that trials ran on, each once
    restored: Json | None = None
    released: bool = False
    fault: Json | None = None  # why this host can take no further part

    @property
    def ready(self) -> bool:
        """Trials may use this host."""
        return self.connected and self.token > 0 and self.proven and self.prepared

    @property
    def as_found(self) -> bool:
        """The host was never changed, or its restoring was verified."""
        return not self.changed or bool(self.restored and not self.restored["left"] and not self.restored["conflicts"])


@dataclass
class RunState:
    """One run. `pending` maps a host (or `trial`) to the name of the command whose answer is awaited."""

    setup: RunSetup
    hosts: dict[str, HostState]
    pending: dict[str, str] = field(default_factory=dict)
    began: bool = False  # some host may have been changed: from here on an error is no refusal
    position: int = 0  # of the trial at hand; 0 for none, below zero in the rehearsal
    attempt: int = 1
    applied: dict[str, list[Json]] = field(default_factory=dict)  # host -> what its settings took for this trial
    outcomes: dict[int, Json] = field(default_factory=dict)  # position -> {"status", "doubts", "reason", "attempt"}
    rescheduled: tuple[Trial, ...] | None = None  # what the rehearsal made of the setup's schedule
    costs_s: dict[str, float] = field(default_factory=dict)  # setting -> the longest change seen, with its readiness
    enough: bool = False  # an open-ended schedule needs nothing more
    marks: dict[int, str] = field(default_factory=dict)
    added: list[Trial] = field(default_factory=list)
    stop: Json | None = None  # {"kind", "reason"} once the run is to end early
    refused: Json | None = None  # the fault that ended the run before any change
    hurry: bool = False  # asked twice to stop: leave the rest to the hosts' leases
    notes: list[str] = field(default_factory=list)
    exit_code: int | None = None

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


def place_name(where: Json) -> str:
    """A place as one text, from {"setting", "target"}."""
    return f"{where['setting']} {where['target']}".strip()


def place_of(use: SettingUse, host: HostState) -> str:
    """The place a use changes, as one text: the setting and its target on the host."""
    return place_name({"setting": use.setting, "target": target_of(use, host.facts or {})})


def all_places(state: RunState, name: str) -> dict[str, tuple[SettingUse, Json]]:
    """Every place on a host that some cell sets: place -> (a use of it, {"setting", "target", "level"})."""
    host = state.hosts[name]
    found: dict[str, tuple[SettingUse, Json]] = {}
    for cell in state.setup.cells:
        for use in cell.settings:
            if use.host == name:
                place = place_of(use, host)
                target = target_of(use, host.facts or {})
                found.setdefault(place, (use, {"setting": use.setting, "target": target, "level": use.level}))
    return found


def known_before(host: HostState, place: str) -> Json:
    """What the journal knows of a place, for a host whose own record is gone; `ours` tells our values from others'."""
    return {**host.places[place], "level": host.before_levels.get(place), "value": host.before[place],
            "ours": host.ours.get(place, []), "unfinished": place in host.in_doubt}


def wanted_levels(cell: Cell, name: str, host: HostState) -> dict[str, Any]:
    """Place -> level that the cell asks of a host; places it does not name stay as found."""
    return {place_of(use, host): use.level for use in cell.settings if use.host == name}


def level_name(use: SettingUse) -> str:
    """A setting at a level, as one text for people and for counting."""
    return f"{use.setting}={plain_level(use)}"


def restart_places(state: RunState, name: str) -> set[str]:
    """The places on a host whose levels take a restart."""
    host = state.hosts[name]
    return {place_of(use, host) for use in state.setup.restarting_uses if use.host == name}


def restart_uses(state: RunState, name: str) -> list[Json]:
    """Every level of the plan that takes a restart of a host, each once."""
    host, found = state.hosts[name], []
    for use in state.setup.restarting_uses:
        one = {"setting": use.setting, "target": target_of(use, host.facts or {}), "level": use.level}
        if use.host == name and one not in found:
            found.append(one)
    return found


def needed_uses(cell: Cell, name: str, host: HostState) -> list[Json]:
    """The changes that bring a host from its present levels to the cell's, in the order they were first prepared."""
    wanted = wanted_levels(cell, name, host)
    uses: list[Json] = []
    for place, where in host.places.items():
        if place in wanted and host.levels.get(place) != wanted[place]:
            uses.append({**where, "level": wanted[place]})
        elif place not in wanted and place in host.levels:
            uses.append({**where, "level": None, "as_found": True})
    return uses
