"""The one error that the host side raises on purpose; everything else that escapes is our own fault."""

from __future__ import annotations

import errno
import traceback
from typing import Any

_TRACE_LIMIT = 4000
# What a host has too little of for a moment: no property of what was asked, and no fault of ours.
_LIMITS = frozenset({errno.EAGAIN, errno.ENOMEM, errno.ENFILE, errno.EMFILE})


class Refusal(Exception):  # noqa: N818 - it is an answer, not a fault
    """What this host will not or cannot do, for a program (`code`) and for a person (`message`)."""

    def __init__(self, code: str, message: str, **values: Any) -> None:
        """`values` are the evidence: plain JSON values, sent to the controller as they are."""
        super().__init__(message)
        self.code = code
        self.message = message
        self.values = values

    def as_dict(self) -> dict[str, Any]:
        """The refusal as it goes over the wire and into the host's record."""
        return {"code": self.code, "message": self.message, "values": self.values}


def refusal_of(error: BaseException, verb: str) -> Refusal:
    """Whatever was raised while a verb was done, as an answer; what nobody raised on purpose is our own fault."""
    if isinstance(error, Refusal):
        return error
    if isinstance(error, MemoryError):
        return Refusal("memory", "this host has no memory left for the job")
    if isinstance(error, OSError) and error.errno in _LIMITS:
        return Refusal("exhausted", f"{verb}: this host is at a limit of its own: {error.strerror}")
    trace = "".join(traceback.format_exception(type(error), error, error.__traceback__))[-_TRACE_LIMIT:]
    return Refusal("bug", f"{type(error).__name__}: {error}", trace=trace)
