"""No control groups here: no session manager ends what is left in one. A session of its own is enough."""

from __future__ import annotations


def leave_session_group() -> str:
    """Nothing to leave."""
    return ""


def in_session_group() -> bool:
    """Never."""
    return False


def remove_groups(_: str) -> None:
    """None was made."""


def leave_and_remove_groups(_: str) -> None:
    """None was made."""
