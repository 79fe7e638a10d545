"""Values of every kind that nobody means, put at any place of any data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from orchestrator.planning.order import SplitMix

Path = tuple[Any, ...]


def _nested(levels: int) -> Any:
    value: Any = "x"
    for _ in range(levels):
        value = [value]
    return value


VALUES: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    2,
    7,
    10**6,
    2**31,
    2**63,
    2**64,
    -(2**63),
    10**30,
    0.5,
    -0.5,
    1e-300,
    1e308,
    float("nan"),
    float("inf"),
    float("-inf"),
    "",
    "x",
    "0",
    "1",
    "-1",
    "nan",
    "NaN",
    "1e999",
    "true",
    "dome",
    "hall",
    "uplink",
    "valid",
    "../../../etc/passwd",
    "/etc/passwd",
    "a/b",
    ".",
    "..",
    "-oProxyCommand=id",
    "$(id)",
    "`id`",
    "'; id; '",
    "=1+1",
    "@SUM(A1)",
    "<script>alert(1)</script>",
    "\x1b[2J\x1b]0;owned\x07",
    "one\ntwo",
    "one\r\ntwo",
    "\x00",
    "\x85\x9b31m",
    "dome\u202eemod",
    "\u2028",
    "\ud800",
    "\ufeff",
    "\U0001f600",
    "é",
    "x" * 300,
    "x" * 100_000,
    "2026-01-01T00:00:00+00:00",
    "{level}",
    "%s%n",
    [],
    {},
    [None],
    [1, "x", None],
    [[]],
    ["dome", "eth1"],
    [0] * 5_000,
    {"a": 1},
    {"": {}},
    {"ok": 1, "facts": 2},
    {"\x1b[31m": "x"},
    {str(number): number for number in range(2_000)},
    _nested(40),
    _nested(70),
)


def any_value(dice: SplitMix) -> Any:
    """One of them."""
    return VALUES[dice.below(len(VALUES))]


def places(value: Any, here: Path = ()) -> Iterator[Path]:
    """The way to every value in some data, itself included."""
    yield here
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from places(each, (*here, key))


def spoilt(value: Any, dice: SplitMix) -> Any:
    """The data with one place replaced, taken out, doubled, given another name, or with something beside it.

    `value` is changed; use what is returned.
    """
    where = list(places(value))
    path = where[dice.below(len(where))]
    if not path:
        return any_value(dice) if dice.below(4) == 0 else spoilt(value, dice) if len(where) > 1 else any_value(dice)
    holder = value
    for key in path[:-1]:
        holder = holder[key]
    key, way = path[-1], dice.below(10)
    if way < 6:
        holder[key] = any_value(dice)
    elif way == 6:
        del holder[key]
    elif way == 7:  # another part of the same data
        found = value
        for step in where[dice.below(len(where))]:
            found = found[step]
        holder[key] = _copy(found)
    elif isinstance(holder, list):
        holder.insert(key, any_value(dice) if way == 8 else _copy(holder[key]))
    elif way == 8:
        name = any_value(dice)
        holder[name if isinstance(name, str) else str(name)[:50]] = holder.pop(key)
    else:
        holder[str(any_value(dice))[:50]] = any_value(dice)
    return value


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copy(each) for key, each in value.items()}
    return [_copy(each) for each in value] if isinstance(value, list) else value
