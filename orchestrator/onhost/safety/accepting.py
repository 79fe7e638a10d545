"""What stays changed on this host after restoring, and its owner's word that it may stay.

A value that is neither ours nor the first was set by somebody else: it is never overwritten, and as long as nobody
says that it is to stay, every `recover` reports it. With that word the record ends, and what the host has now is what
the next run finds. It holds for what the person was told, to the letter: `mark` is the sum over it.
"""

from __future__ import annotations

import hashlib
import json
from typing import List, Optional, TypedDict

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.state import Compared, Restoring


class Stays(TypedDict):
    """One thing that is not as found: setting and target, or the key of the image, and how it reads."""

    place: List[str]
    now: object


def stays(outcome: Restoring, compared: Optional[Compared]) -> List[Stays]:
    """What is not as found, in a stable order: settings, then what else they had touched.

    `compared` is None where the host was not compared with its image.
    """
    places: List[Stays] = [
        {"place": [one["setting"], one["target"]], "now": one["now"]}
        for one in [*outcome["left"], *outcome["conflicts"]]
    ]
    things: List[Stays] = [
        {"place": [one["key"]], "now": one["now"]} for one in (compared["touched"] if compared is not None else [])
    ]
    return sorted(places, key=lambda one: str(one["place"])) + sorted(things, key=lambda one: str(one["place"]))


def mark(outcome: Restoring, compared: Optional[Compared]) -> str:
    """The sum over what stays; "" when nothing does."""
    found = stays(outcome, compared)
    text = json.dumps(found, separators=(",", ":"), sort_keys=True).encode("utf-8")
    return hashlib.sha256(text).hexdigest() if found else ""


def require_acceptable(outcome: Restoring, compared: Optional[Compared], told_mark: str) -> None:
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
