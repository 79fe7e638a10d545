"""Version 1 of what a run stores, in today's names: keys, events, commands, settings, factors and codes. Pure.

Only what version 1 called otherwise stands here; renaming what has today's names already changes nothing, so that a
journal of version 1 that a newer linktrial went on with reads like any other. Sentences stay as they were written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from orchestrator.words.renamed import FACTORS, SETTINGS

Stored = Any  # a value of JSON, as it was read

CODES = {
    "foreign_heavy": "cross_traffic_heavy",
    "foreign_some": "cross_traffic_some",
    "segment_size": "mss",
    "clock_under_least": "clock_under_min",
    "clock_over_greatest": "clock_over_max",
    "clock_below_greatest": "clock_below_max",
    "no_copy_missing": "zero_copy_missing",
    "keeper": "watchdog",
    "keeper_dies": "watchdog_dies",
}
EVENTS_AND_COMMANDS = {
    "Taken": "LeaseAcquired",
    "KeeperProven": "WatchdogVerified",
    "Take": "AcquireLease",
    "ProveKeeper": "VerifyWatchdog",
}
_KEYS = {
    **FACTORS,
    "replicates_least": "replicates_min",
    "asked_bit_s": "intended_load_bit_s",
    "asked_frames_s": "intended_frames_s",
    "offered_bit_s": "offered_load_bit_s",
    "offered_fastest_bit_s": "offered_load_max_bit_s",
    "foreign_bytes": "cross_traffic_bytes",
    "least_khz": "min_khz",
    "greatest_khz": "max_khz",
    "hardware_greatest_khz": "hardware_max_khz",
    "least_s": "min_s",
    "bound_s": "timeout_s",
    "keeper": "watchdog",
}
# key -> what its value, or each of its values, is called today
_VALUES: dict[str, Mapping[str, str]] = {
    "event": EVENTS_AND_COMMANDS,
    "command": EVENTS_AND_COMMANDS,
    "step": EVENTS_AND_COMMANDS,
    "setting": SETTINGS,
    "factor": FACTORS,
    "code": CODES,
    "doubts": CODES,
    "by": {"keeper": "watchdog"},
}
_IN_A_CELLS_KEY = re.compile(rf"(?<!\S)({'|'.join(map(re.escape, FACTORS))})(?==)")


def users_factors(cells: Stored) -> frozenset[str]:
    """The factors of a run's cells that the user has named: any but those named after a setting or the traffic."""
    levels = [cell.get("levels") for cell in cells if isinstance(cell, dict)] if isinstance(cells, list) else []
    return frozenset(str(name) for of_cell in levels if isinstance(of_cell, dict) for name in of_cell) - set(FACTORS)


def in_todays_names(value: Stored, kept: frozenset[str] = frozenset()) -> Stored:
    """A stored value with today's names at every depth; `kept` are keys that are the user's own names."""
    if isinstance(value, list):
        return [in_todays_names(each, kept) for each in value]
    if not isinstance(value, dict):
        return value
    named = {}
    for old, inner in value.items():
        key = old if old in kept else _KEYS.get(old, old)
        named[old if key in value and key != old else key] = _value(old, inner, kept)
    return named


def _value(key: str, value: Stored, kept: frozenset[str]) -> Stored:
    if key == "key" and isinstance(value, str):
        return _IN_A_CELLS_KEY.sub(lambda found: FACTORS[found[1]], value)
    names = _VALUES.get(key)
    if names and isinstance(value, str):
        return names.get(value, value)
    if names and isinstance(value, list):
        return [names.get(each, each) if isinstance(each, str) else in_todays_names(each, kept) for each in value]
    return in_todays_names(value, kept)
