"""Every error of linktrial says whose fault it is, carries the value, and tells what to do next.

    Fault (abstract)
     |- PlanError     the user's: plan file or command line; nobody was contacted
     |- HostError     a host's: unreachable, refused, busy, too old, a setting that would not go back
     |- LinkError     between the hosts: no path, frames too large for it, a peer that is silent
     `- BugError      ours

Pure: imports no I/O, so that every room may raise them.
"""

from __future__ import annotations

from typing import Any, TypedDict


class FaultDict(TypedDict, total=False):
    """A fault as it stands in the journal, in a record and on the wire; `host` only where it is a host's."""

    whose: str
    code: str
    message: str
    next_step: str
    values: dict[str, Any]
    host: str


class Fault(Exception):  # noqa: N818 - the four kinds below carry the word Error
    """What all errors of linktrial share; not raised itself."""

    whose = ""

    def __init__(self, code: str, message: str, *, next_step: str = "", **values: Any) -> None:
        """`code` is machine-readable and stable; `next_step` tells the user what to do; `values` are the evidence."""
        if type(self) is Fault:
            raise TypeError("Fault is abstract: raise PlanError, HostError, LinkError or BugError")
        super().__init__(message)
        self.code = code
        self.message = message
        self.next_step = next_step
        self.values = values

    def as_dict(self) -> FaultDict:
        """The error as it goes into the journal and over the wire."""
        return {
            "whose": self.whose,
            "code": self.code,
            "message": self.message,
            "next_step": self.next_step,
            "values": self.values,
        }


class PlanError(Fault):
    """The plan or the command line is wrong."""

    whose = "user"


class HostError(Fault):
    """A host refused, failed or cannot do what was asked."""

    whose = "host"

    def __init__(self, code: str, message: str, *, host: str = "", next_step: str = "", **values: Any) -> None:
        """`host` is the plan's name of the host."""
        super().__init__(code, message, next_step=next_step, **values)
        self.host = host

    def as_dict(self) -> FaultDict:
        """The error with the host's name."""
        return {**super().as_dict(), "host": self.host}


class LinkError(Fault):
    """Something between the hosts stops the work."""

    whose = "link"


class BugError(Fault):
    """Our own fault."""

    whose = "ours"


def as_fault(error: BaseException) -> Fault:
    """An error as one of the four kinds: any that nobody raised on purpose is ours."""
    if isinstance(error, Fault):
        return error
    fault = BugError("bug", f"{type(error).__name__}: {error}" if str(error) else type(error).__name__)
    fault.__cause__ = error
    return fault
