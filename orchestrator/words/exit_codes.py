"""The exit codes, and which of two is the more serious."""

from __future__ import annotations

from enum import IntEnum

from orchestrator.faults import BugError, Fault, HostError, LinkError, PlanError


class Exit(IntEnum):
    """What a command's exit code says; documented in the README."""

    COMPLETE = 0
    SOME_NOT_VALID = 1
    PLAN_WRONG = 2
    REFUSED = 3
    OUR_FAULT = 4
    NOT_AS_FOUND = 5
    STOPPED_EARLY = 6
    INTERRUPTED = 130
    TERMINATED = 143


MEANINGS: dict[Exit, str] = {
    Exit.COMPLETE: "complete, every trial valid or accepted; hosts verified as found",
    Exit.SOME_NOT_VALID: "complete, some trial not valid; `compare`: worse beyond the threshold (see --fail-on)",
    Exit.PLAN_WRONG: "plan or command line wrong; nobody contacted",
    Exit.REFUSED: "refused before any change: unreachable, host key, privilege, busy, unclean earlier run",
    Exit.OUR_FAULT: "our own fault, an unexpected exception included; hosts verified as found",
    Exit.NOT_AS_FOUND: "some host NOT verified as found: host, what, before, now, and the command that puts it right",
    Exit.STOPPED_EARLY: "stopped early, resumable; hosts verified as found",
    Exit.INTERRUPTED: "interrupted (SIGINT); hosts verified as found",
    Exit.TERMINATED: "terminated (SIGTERM); hosts verified as found",
}

_MOST_SERIOUS_FIRST = (
    Exit.NOT_AS_FOUND,
    Exit.OUR_FAULT,
    Exit.INTERRUPTED,
    Exit.TERMINATED,
    Exit.STOPPED_EARLY,
    Exit.REFUSED,
    Exit.PLAN_WRONG,
    Exit.SOME_NOT_VALID,
    Exit.COMPLETE,
)


_EXIT_OF = {PlanError: Exit.PLAN_WRONG, HostError: Exit.REFUSED, LinkError: Exit.REFUSED, BugError: Exit.OUR_FAULT}


def exit_of(fault: Fault) -> Exit:
    """The code of a command that ends with this error before any host was changed."""
    return next(code for kind, code in _EXIT_OF.items() if isinstance(fault, kind))


def most_serious(*codes: int) -> Exit:
    """The code that wins when several apply; COMPLETE when none is given."""
    given = {Exit(code) for code in codes}
    return next((code for code in _MOST_SERIOUS_FIRST if code in given), Exit.COMPLETE)
