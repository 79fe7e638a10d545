"""What the state machine asks the outside to do. The runner turns each into actions and their answer into events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

Json = dict[str, Any]


@dataclass(frozen=True)
class Command:
    """Something to do; `changes_host` commands are journaled before they are carried out."""

    changes_host: ClassVar[bool] = False


@dataclass(frozen=True)
class Connect(Command):
    """Open the SSH session and read the host's facts."""

    host: str


@dataclass(frozen=True)
class Take(Command):
    """Ask the host for its lease."""

    host: str
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class ProveKeeper(Command):
    """End the session, open another, and see that the keeper lives."""

    host: str


@dataclass(frozen=True)
class Prepare(Command):
    """Record the before-values of these places on the host, and return them."""

    host: str
    interfaces: tuple[str, ...]
    places: tuple[Json, ...]


@dataclass(frozen=True)
class Apply(Command):
    """Set these places to their levels; a use with `as_found` goes back to its before-value."""

    host: str
    position: int
    uses: tuple[Json, ...]
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Conduct(Command):
    """Conduct the trial at this place of the schedule."""

    position: int
    attempt: int


@dataclass(frozen=True)
class Consider(Command):
    """The schedule is through: say which trials are worth adding, by the plan's precision or budget."""


@dataclass(frozen=True)
class Abandon(Command):
    """Stop the trial in flight; its answer no longer matters."""

    position: int
    attempt: int


@dataclass(frozen=True)
class Rejoin(Command):
    """Try to reach a lost host again, for so many seconds; None: as long as the plan's patience allows."""

    host: str
    within_s: float | None = None


@dataclass(frozen=True)
class Restart(Command):
    """Have a host restart, so that what was written for its next start takes effect; it is then a lost host."""

    host: str
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class PowerCycle(Command):
    """Switch a host's power off and on, by the plan's command."""

    host: str
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Restore(Command):
    """Put everything on the host back, in reverse order, and compare with the before-image."""

    host: str
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Release(Command):
    """Let the host go: lease, keeper and record end."""

    host: str
    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Finish(Command):
    """The run is over with this exit code."""

    exit_code: int


def command_to_dict(command: Command) -> Json:
    """The command as the journal's intent line holds it."""
    return {"command": type(command).__name__, **vars(command)}
