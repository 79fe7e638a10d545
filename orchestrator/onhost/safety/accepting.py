"""What stays changed on this host after restoring, and its owner's word that it may stay.

A value that is neither ours nor the first was set by somebody else: it is never overwritten, and as long as nobody
says that it is to stay, every `recover` reports it. With that word the record ends, and what the host has now is what
the next run finds. It holds for what the person was told, to the letter: `mark` is the sum over it.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, Dict, List, Optional

from orchestrator.onhost.refusal import Refusal

Outcome = Dict[str, Any]  # {restored, left, conflicts, ...} as restoring.restored makes it
Compared = Optional[Dict[str, Any]]  # {ok, touched, other} as image.differences makes it; None where not looked at


def stays(outcome: Outcome, compared: Compared) -> List[Dict[str, Any]]:
    """What is not as found, in a stable order: [{place, now}] of settings, then of what else they had touched."""
    places = [
        {"place": [one["setting"], one["target"]], "now": one["now"]}
        for one in [*outcome["left"], *outcome["conflicts"]]
    ]
    things = [{"place": [one["key"]], "now": one["now"]} for one in (compared or {}).get("touched", [])]
    return sorted(places, key=lambda one: str(one["place"])) + sorted(things, key=lambda one: str(one["place"]))


def mark(outcome: Outcome, compared: Compared) -> str:
    """The sum over what stays; "" when nothing does."""
    found = stays(outcome, compared)
    text = json.dumps(found, separators=(",", ":"), sort_keys=True).encode("utf-8")
    return hashlib.sha256(text).hexdigest() if found else ""


def require_acceptable(outcome: Outcome, compared: Compared, told_mark: str) -> None:
    """Refusal unless exactly what was told is what stays, and all of it could be read."""
    unread = next((one for one in outcome["left"] if one["now"] is None), None)
    if unread is not None:
        raise Refusal(
            "unreadable",
            f"{unread['setting']} {unread['target']} of this host cannot be read, so that "
            "nobody can say what is to stay",
            setting=unread["setting"],
            target=unread["target"],
        )
    if mark(outcome, compared) != told_mark:
        raise Refusal("changed_since", "what differs on this host is not what was told a moment ago: look again")
