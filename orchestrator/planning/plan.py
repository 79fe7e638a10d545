"""A plan with every name looked up: what the other rooms work with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from orchestrator.planning.document import Json
from orchestrator.planning.grammar import Bench, Order, Trial
from orchestrator.planning.links import ENDS, End, EndName, Link


class SettingInfo(Protocol):
    """What planning needs to know about a setting; the host side supplies it."""

    name: str
    unit: str
    doc: str
    example: str
    domain_text: str
    scope: str  # "host" or "interface"
    privilege: str  # "root" or "user"
    survives_reboot: bool
    costly: bool  # a change that drops the link or takes seconds

    def problem_with(self, level: Any) -> str:
        """Why the level can be one nowhere; empty when it can. Asks no host."""

    def restarts(self, level: Any) -> bool:
        """Whether the level takes effect when the host starts, and not before. Asks no host."""


Catalogue = Mapping[str, SettingInfo]
BOTH = "both"  # what `at` says of both ends


@dataclass(frozen=True)
class PowerCycle:
    """The controller's command that switches a host's power off and on; seconds until the host is up again."""

    command: tuple[str, ...]
    wait_s: float


@dataclass(frozen=True)
class Host:
    """A machine reached over SSH; `privilege` is what the plan says or what its settings need."""

    ssh: str
    user: str | None = None
    port: int | None = None
    privilege: str = "none"
    host_key: str | None = None
    power_cycle: PowerCycle | None = None
    system: str = "linux"  # or "bsd"


@dataclass(frozen=True)
class Where:
    """Where a setting is changed: at ends of the cell's link, or at a named host and perhaps interface."""

    ends: tuple[EndName, ...] = ()
    host: str = ""
    selector: str = ""

    def __str__(self) -> str:
        """As a plan writes it."""
        if self.ends:
            return BOTH if self.ends == ENDS else self.ends[0]
        return f"{self.host} {self.selector}" if self.selector else self.host


@dataclass(frozen=True)
class Change:
    """One setting brought to one level somewhere."""

    setting: str
    scope: str
    where: Where
    level: Json
    privilege: str
    costly: bool
    restarts: bool = False  # in effect only once the host has been restarted


@dataclass(frozen=True)
class LevelOf:
    """One level of a factor: how it is shown, and what it does to the hosts or to the traffic."""

    shown: Json
    changes: tuple[Change, ...] = ()
    traffic: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True)
class Factor:
    """What is varied; `only` holds the levels of other factors where it applies."""

    name: str
    kind: Literal["setting", "traffic", "bundle"]
    levels: tuple[LevelOf, ...]
    only: Mapping[str, tuple[Json, ...]] = field(default_factory=dict)
    transport: str = ""
    unit: str = ""
    doc: str = ""


@dataclass(frozen=True)
class Plan:
    """Everything a run needs to know."""

    plan: str
    hosts: Mapping[str, Host]
    links: Mapping[str, Link]
    purpose: str = ""
    bench: Bench = field(default_factory=Bench)
    hold: tuple[Change, ...] = ()
    factors: Mapping[str, Factor] = field(default_factory=dict)
    leave_out: tuple[Mapping[str, tuple[Json, ...]], ...] = ()
    trial: Trial = field(default_factory=Trial)
    order: Order = field(default_factory=Order)
    lease_s: float = 300.0
    patience_s: float = 7200.0
    changed_outside: str = "reapply"
    accept: tuple[str, ...] = ()
    threshold_ratio: float = 0.03
    budget_s: float | None = None
    screen: bool = False
    binds: Mapping[str, str] = field(default_factory=dict)  # those that the file used
    name: str = "plan.yaml"  # the file

    @property
    def costly(self) -> frozenset[str]:
        """The settings whose change drops the link or takes seconds."""
        changes = [
            *self.hold,
            *(change for factor in self.factors.values() for level in factor.levels for change in level.changes),
        ]
        return frozenset(change.setting for change in changes if change.costly)

    @property
    def restarts(self) -> bool:
        """Whether some level takes a restart of a host."""
        levels = [level for factor in self.factors.values() for level in factor.levels]
        return any(change.restarts for change in [*self.hold, *(one for level in levels for one in level.changes)])

    def ends_of(self, host: str) -> list[tuple[str, End]]:
        """(link, end) for every end that the host has."""
        return [(name, end) for name, link in self.links.items() for end in link.ends if end.host == host]


def same_level(one: Json, two: Json) -> bool:
    """Equal as a plan writes them: 1 is not true, and 1 is 1.0."""
    return one == two and isinstance(one, bool) == isinstance(two, bool)


def level_text(level: Json) -> str:
    """A level as one word of text."""
    if isinstance(level, bool):
        return "true" if level else "false"
    if isinstance(level, str):
        return level
    if isinstance(level, dict):
        return "{" + ", ".join(f"{key}: {level_text(part)}" for key, part in level.items()) + "}"
    if isinstance(level, list):
        return "[" + ", ".join(map(level_text, level)) + "]"
    return "" if level is None else str(level)
