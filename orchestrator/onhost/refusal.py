"""The one error that the host side raises on purpose; everything else that escapes is our own fault."""

from __future__ import annotations

from typing import Any


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
