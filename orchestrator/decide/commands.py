"""What the state machine asks the outside to do. The runner turns each into actions and their answer into events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from orchestrator.decide.shapes.uses import ToPrepare, Use


@dataclass(frozen=True)
class Command:
    """Something to do; `changes_host` commands are journaled before they are carried out."""

    changes_host: ClassVar[bool] = False


@dataclass(frozen=True)
class HostCommand(Command):
    """Something that one host is asked; it answers by one event."""

    host: str


@dataclass(frozen=True)
class Connect(HostCommand):
    """Open the SSH session and read the host's facts."""


@dataclass(frozen=True)
class AcquireLease(HostCommand):
    """Ask the host for its lease."""

    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class VerifyWatchdog(HostCommand):
    """End the session, open another, and see that the watchdog lives."""


@dataclass(frozen=True)
class Prepare(HostCommand):
    """Record the before-values of these places on the host, and return them."""

    interfaces: tuple[str, ...]
    places: tuple[ToPrepare, ...]


@dataclass(frozen=True)
class Apply(HostCommand):
    """Set these places to their levels; a use with `as_found` goes back to its before-value."""

    position: int
    uses: tuple[Use, ...]
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
class Rejoin(HostCommand):
    """Try to reach a lost host again, for so many seconds; None: as long as the plan's patience allows."""

    within_s: float | None = None


@dataclass(frozen=True)
class Restart(HostCommand):
    """Have a host restart, so that what was written for its next start takes effect; it is then a lost host."""

    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class PowerCycle(HostCommand):
    """Switch a host's power off and on, by the plan's command."""

    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Restore(HostCommand):
    """Put everything on the host back, in reverse order, and compare with the before-image."""

    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Release(HostCommand):
    """Let the host go: lease, watchdog and record end."""

    changes_host: ClassVar[bool] = True


@dataclass(frozen=True)
class Finish(Command):
    """The run is over with this exit code."""

    exit_code: int


def command_to_dict(command: Command) -> dict[str, object]:
    """The command as the journal's intent line holds it."""
    return {"command": type(command).__name__, **vars(command)}
