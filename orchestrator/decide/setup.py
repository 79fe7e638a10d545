"""What a run is to do, as plain data: everything the state machine needs, and all that `replay` starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from orchestrator.planning.cells import Cell, SettingUse
from orchestrator.planning.order import Trial
from orchestrator.planning.rehearsal import REHEARSE_S
from orchestrator.stored import fitting

VERSION = 2
TRAFFIC_SLACK_S = 20.0  # beyond a trial's traffic: connecting, draining, reading counters that lag


@dataclass(frozen=True)
class LinkSetup:
    """A link: its two ends as (host, selector) and what the plan says about the path between them."""

    name: str
    ends: tuple[tuple[str, str], tuple[str, str]]
    rate_bit_s: float | None
    addresses: tuple[tuple[str, str], ...]  # pairs to use, one of each family at most; empty: the interfaces' own
    ports: tuple[int, ...]
    isolated: bool


@dataclass(frozen=True)
class PowerSwitch:
    """How the controller switches a host's power off and on: arguments, and seconds until the host is up again."""

    host: str
    command: tuple[str, ...]
    wait_s: float


@dataclass(frozen=True)
class RunSetup:
    """One run's fixed input. Times are in seconds; `accept` lists statuses that do not fail the run."""

    run_id: str
    plan_name: str
    hosts: tuple[str, ...]
    links: tuple[LinkSetup, ...]
    cells: tuple[Cell, ...]
    schedule: tuple[Trial, ...]
    length_s: float
    warmup_s: float
    settle_s: float
    lease_s: float
    patience_s: float
    seed: int
    changed_outside: str = "reapply"
    accept: tuple[str, ...] = ()
    holder: str = ""
    precision_ratio: float | None = None  # half an interval's width over the mean, at which a cell is measured enough
    replicates_min: int = 5
    replicates_most: int = 20
    budget_s: float | None = None  # time to spend in trials
    costly: tuple[str, ...] = ()  # settings that the schedule treats as whole plots
    power: tuple[PowerSwitch, ...] = ()
    bsd_hosts: tuple[str, ...] = ()  # those that the plan says are of the BSD family
    version: int = VERSION  # of the names that the journal is written in; version 1 did not say

    @property
    def open_ended(self) -> bool:
        """How many trials there will be is decided by what they give."""
        return self.precision_ratio is not None or self.budget_s is not None

    @property
    def restarting_uses(self) -> list[SettingUse]:
        """The uses whose levels take a restart of their host."""
        return [use for cell in self.cells for use in cell.settings if use.restarts]

    def length_of(self, trial: Trial) -> float:
        """Seconds of measured traffic in a trial."""
        return min(REHEARSE_S, self.length_s) if trial.role == "rehearse" else self.length_s

    def cell(self, number: int) -> Cell:
        """The cell with this number."""
        return next(cell for cell in self.cells if cell.number == number)

    def link(self, name: str) -> LinkSetup:
        """The link with this name."""
        return next(link for link in self.links if link.name == name)

    def as_dict(self) -> dict[str, Any]:
        """The setup as it stands in the journal's first line."""
        return asdict(self)


def setup_from_dict(data: Mapping[str, Any]) -> RunSetup:
    """The inverse of `RunSetup.as_dict`, after a trip through JSON; ValueError when it is none."""
    setup: RunSetup = fitting(RunSetup, data)
    return setup
