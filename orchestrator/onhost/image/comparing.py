"""Comparing two images: what differs in what we touched, what else differs, and how a person puts each right."""

from __future__ import annotations

import fnmatch
from typing import Any, Iterable, List, Mapping, Set, Tuple

from orchestrator.onhost.image.mending import called, mend_command, mending_rank
from orchestrator.onhost.safety.state import Difference, Differences, Image, Place
from orchestrator.onhost.safety.told import Told, came_or_went, leaves, told
from orchestrator.onhost.safety.told import in_words as value_in_words
from orchestrator.onhost.settings import CATALOGUE

# what is named by its key, so that its value is only a matter when both images have it
_NAMED_THINGS = ("address", "route", "neighbour")


def differences(before: Image, now: Image, touched: Iterable[Place]) -> Differences:
    """What differs in what was to be changed, and what else does. Pure.

    `touched` names the places that were to be changed. What is gone from the host reads None. The entries come in an
    order in which their commands can be typed.
    """
    ours, losable = _patterns(touched, before.get("stacked", {}))
    found: Differences = {"touched": [], "other": []}
    was, is_now = before["items"], now["items"]
    for key in sorted(was.keys() | is_now.keys(), key=mending_rank):
        value_before, value_now = was.get(key), is_now.get(key)
        if value_before == value_now or _follows_from_an_address(key, value_before, value_now):
            continue
        passing = any(isinstance(value, dict) and value.get("passing") for value in (value_before, value_now))
        mine = _fits(key, ours) or (value_before is not None and _fits(key, losable))
        command = mend_command(key, value_before, value_now)
        entry: Difference = {
            "what": called(key),
            "key": key,
            "before": value_before,
            "now": value_now,
            "command": command,
            "told": in_words(key, value_before, value_now, command),
        }
        (found["touched"] if mine and not passing else found["other"]).append(entry)
    return _with_what_is_switched_off(found)


def _with_what_is_switched_off(found: Differences) -> Differences:
    """What an interface lost because it is switched off cannot come back before it is switched on: that is told first.

    No matter who switched it off, it belongs to what keeps the host from being as found.
    """
    lost_by = {entry["key"].split(":")[1] for entry in found["touched"] if entry["now"] is None}
    causes = [entry for entry in found["other"] if entry["now"] is False and entry["key"] in _switches_of(lost_by)]
    return {"touched": causes + found["touched"], "other": [entry for entry in found["other"] if entry not in causes]}


def _switches_of(interfaces: Iterable[str]) -> Set[str]:
    return {f"link:{interface}:up" for interface in interfaces}


def in_words(key: str, before: object, now: object, command: str) -> Told:
    """One difference as a person reads it; of two structures only what differs between them. Pure."""
    if key.partition(":")[0] in _NAMED_THINGS and (before is None or now is None):
        return came_or_went(called(key), before, command)
    if isinstance(before, dict) and isinstance(now, dict):
        differing = list(leaves(before, now))
        texts = [
            ", ".join(f"{' '.join(path)} {value_in_words(each[side])}".strip() for path, *each in differing)
            for side in (0, 1)
        ]
        return told(called(key), texts[0], texts[1], command)
    if key.startswith("qdisc:"):
        return told(called(key), _disciplines(before), _disciplines(now), command)
    return told(called(key), before, now, command)


def _disciplines(found: object) -> object:
    """Queueing disciplines by kind and number; what else they are set to is in the image."""
    if not isinstance(found, list):
        return found
    kinds = [str(each["kind"]) for each in found]
    return ", ".join(f"{kinds.count(kind)} x {kind}" for kind in dict.fromkeys(kinds))


def _follows_from_an_address(key: str, before: object, now: Any) -> bool:
    """Whether it is a route that the kernel made for an address that is new itself: mending that mends both."""
    return key.startswith("route:") and before is None and bool(now["protocol"] == "kernel")


def _patterns(touched: Iterable[Place], stacked: Mapping[str, str]) -> Tuple[Set[str], Set[str]]:
    """Key patterns of what the places' settings change, and of what may be lost by it."""
    ours: Set[str] = set()
    losable: Set[str] = set()
    for place in touched:
        setting = CATALOGUE[place["setting"]]
        for name in _with_stacked(place["target"], stacked):
            ours.update(pattern.replace("{target}", name) for pattern in setting.touches)
            losable.update(pattern.replace("{target}", name) for pattern in setting.may_lose)
    return ours, losable


def _with_stacked(target: str, stacked: Mapping[str, str]) -> List[str]:
    """The interface and, when it is one, those of which it is the lower device."""
    names = [target]
    for parent in names:  # grows while it is walked
        names += [child for child, below in stacked.items() if below == parent and child not in names]
    return names


def _fits(key: str, patterns: Set[str]) -> bool:
    return any(fnmatch.fnmatchcase(key, pattern) for pattern in patterns)
