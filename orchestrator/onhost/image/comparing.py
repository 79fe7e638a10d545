"""Comparing two images: what differs in what we touched, what else differs, and how a person puts each right."""

from __future__ import annotations

import fnmatch
from typing import Any, Dict, Iterable, List, Mapping, Set

from orchestrator.onhost.image.mending import called, mend_command, mending_rank
from orchestrator.onhost.settings import CATALOGUE


def differences(before: Mapping[str, Any], now: Mapping[str, Any],
                touched: Iterable[Mapping[str, str]]) -> Dict[str, List[Dict[str, Any]]]:
    """{"touched": [...], "other": [...]}, each entry {what, key, before, now, command}. Pure.

    `touched` names the places that were to be changed, {setting, target} each. What is gone from the host reads None.
    The entries come in an order in which their commands can be typed.
    """
    ours, losable = _patterns(touched, before.get("stacked", {}))
    sorted_out: Dict[str, List[Dict[str, Any]]] = {"touched": [], "other": []}
    was, is_now = before["items"], now["items"]
    for key in sorted(was.keys() | is_now.keys(), key=mending_rank):
        value_before, value_now = was.get(key), is_now.get(key)
        if value_before == value_now or _follows_from_an_address(key, value_before, value_now):
            continue
        passing = any(isinstance(value, dict) and value.get("passing") for value in (value_before, value_now))
        mine = _fits(key, ours) or (value_before is not None and _fits(key, losable))
        entry = {"what": called(key), "key": key, "before": value_before, "now": value_now,
                 "command": mend_command(key, value_before, value_now)}
        sorted_out["touched" if mine and not passing else "other"].append(entry)
    return sorted_out


def _follows_from_an_address(key: str, before: Any, now: Any) -> bool:
    """Whether it is a route that the kernel made for an address that is new itself: mending that mends both."""
    return key.startswith("route:") and before is None and bool(now["protocol"] == "kernel")


def _patterns(touched: Iterable[Mapping[str, str]], stacked: Mapping[str, str]) -> tuple[Set[str], Set[str]]:
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
    """The interface and, when it is one, those that lie on it."""
    names = [target]
    for parent in names:  # grows while it is walked
        names += [child for child, below in stacked.items() if below == parent and child not in names]
    return names


def _fits(key: str, patterns: Set[str]) -> bool:
    return any(fnmatch.fnmatchcase(key, pattern) for pattern in patterns)
