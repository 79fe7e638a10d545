"""Reading levels: what a plan writes, in the terms of a setting. Pure; ValueError says in a sentence what is wrong."""

from __future__ import annotations

import re
from typing import Dict, List, Mapping, Optional, Sequence, Set

_SWITCHES = {"on": True, "off": False, True: True, False: False}
_SIZE = re.compile(r"([0-9]{1,15})\s*(KiB|MiB|GiB|kB|MB|GB|B)?")
_SIZE_UNITS = {None: 1, "B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "kB": 10**3, "MB": 10**6, "GB": 10**9}
_CLOCK = re.compile(r"([0-9]{1,7}(?:\.[0-9]{1,6})?)\s*(kHz|MHz|GHz)")
_CLOCK_UNITS_KHZ = {"kHz": 1, "MHz": 10**3, "GHz": 10**6}
_RATE = re.compile(r"([0-9]{1,6}(?:\.[0-9]{1,3})?)\s*(Mbit/s|Gbit/s)")
_RATE_UNITS_BIT_S = {"Mbit/s": 10**6, "Gbit/s": 10**9}
_CORES = re.compile(r"[0-9]{1,4}(-[0-9]{1,4})?(,[0-9]{1,4}(-[0-9]{1,4})?){0,63}")
_MOST_CORES = 8192  # the kernel's own limit


def unknown_key(level: Mapping[str, object], known: Set[str], what: str) -> str:
    """What is said of a part that this level cannot have; empty when all are known."""
    unknown = next((key for key in level if key not in known), None)
    return "" if unknown is None else f"{what} has no {shown(unknown)}"


def whole(level: object, least: int, most: int, what: str, unit: str = "") -> int:
    """A whole number within bounds, also one written as text."""
    if isinstance(level, str) and re.fullmatch(r"-?[0-9]{1,18}", level):
        level = int(level)
    if not isinstance(level, int) or isinstance(level, bool):
        raise ValueError(f"{what} is a whole number{f' of {unit}' if unit else ''}, not {shown(level)}")
    if not least <= level <= most:
        raise ValueError(f"{what} is from {least} to {most}{f' {unit}' if unit else ''}, not {level}")
    return level


def switch(level: object, what: str) -> bool:
    """`on` or `off`, also true and false."""
    if not isinstance(level, (str, bool)) or level not in _SWITCHES:
        raise ValueError(f"{what} is on or off, not {shown(level)}")
    return _SWITCHES[level]


def size_bytes(level: object, most: int, what: str) -> int:
    """A size such as `4MiB`, or a whole number of bytes."""
    match = _SIZE.fullmatch(str(level)) if isinstance(level, (int, str)) and not isinstance(level, bool) else None
    if match is None:
        raise ValueError(f"{what} is a size such as 4MiB, not {shown(level)}")
    size = int(match[1]) * _SIZE_UNITS[match[2]]
    if size > most:
        raise ValueError(f"{what} is at most {most} bytes, not {shown(level)}")
    return size


def clock_khz(level: object, what: str) -> int:
    """A clock such as `1.2GHz`, in kHz as cpufreq counts."""
    match = _CLOCK.fullmatch(level) if isinstance(level, str) else None
    if match is None:
        raise ValueError(f"{what} is a clock such as 1.2GHz, not {shown(level)}")
    return round(float(match[1]) * _CLOCK_UNITS_KHZ[match[2]])


def rate_bit_s(text: str, what: str) -> int:
    """A link's speed such as `2.5Gbit/s`."""
    match = _RATE.fullmatch(text)
    if match is None:
        raise ValueError(f"{what} is a speed such as 2.5Gbit/s, not {shown(text)}")
    return round(float(match[1]) * _RATE_UNITS_BIT_S[match[2]])


def cores(level: object, what: str) -> List[int]:
    """Core numbers: one, a list, or the kernel's form `0-2,5`."""
    if isinstance(level, int) and not isinstance(level, bool):
        level = str(level)
    if isinstance(level, list) and level and all(isinstance(one, int) and not isinstance(one, bool) for one in level):
        level = ",".join(map(str, level))
    if not isinstance(level, str) or not _CORES.fullmatch(level):
        raise ValueError(f"{what} names cores such as 0, or 0-2,5, not {shown(level)}")
    found: Set[int] = set()
    for part in level.split(","):
        first, _, last = part.partition("-")
        found.update(range(int(first), int(last or first) + 1))
    if not found or max(found) >= _MOST_CORES:
        raise ValueError(f"{what} names cores such as 0, or 0-2,5, not {shown(level)}")
    return sorted(found)


def pairs(level: object, names: Sequence[str], what: str, switches: Sequence[str] = ()) -> Dict[str, int]:
    """Words with values, as a mapping or as text such as `rx-usecs=50 adaptive-rx=off`."""
    given: Mapping[str, object] = level if isinstance(level, dict) else _split(level)
    if not given:
        raise ValueError(f"{what} is written as {names[0]}=..., not {shown(level)}")
    found = {}
    for name, value in given.items():
        if name not in names:
            raise ValueError(f"{what} has no {shown(name)}, only {', '.join(names)}")
        found[name] = int(switch(value, name)) if name in switches else whole(value, 0, (1 << 32) - 1, name)
    return found


def name(level: object, pattern: str, what: str, example: str) -> str:
    """A name of a certain shape."""
    if not isinstance(level, str) or not re.fullmatch(pattern, level):
        raise ValueError(f"{what} is a name such as {example}, not {shown(level)}")
    return level


def shown(level: object) -> str:
    """A level in a message: short, and nothing in it acts on a terminal."""
    text = str(level)
    return repr(text[:60] + ("..." if len(text) > 60 else "")) if isinstance(level, str) else ascii(level)[:60]


def _split(level: object) -> Dict[str, Optional[str]]:
    if not isinstance(level, str) or len(level) > 1000:
        return {}
    parts = [part.partition("=") for part in level.split()]
    return {before: after if equals else None for before, equals, after in parts}
