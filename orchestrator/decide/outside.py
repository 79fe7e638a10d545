"""Settings that somebody else changed while a run held them: a network manager, a tuning service, a person. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

CHANGED_OUTSIDE = "changed_outside"  # the code of a trial that could not begin because of it


def changed_outside(settings: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """The places that no longer hold the level they took, from what each host read back."""
    return [{"host": host, "setting": use["setting"], "target": use["target"]}
            for host, uses in settings.items() for use in uses if not use["ok"]]
