"""Checks of one value each, for the closed table of messages: what a verb's argument may be, with its bounds."""

from __future__ import annotations

import re
from typing import Callable, Mapping

Check = Callable[[object], str]  # "" when the value is acceptable, otherwise what is wrong with it


def text(pattern: str = r"[^\x00-\x1f\x7f]*", longest: int = 200) -> Check:
    """Text that matches `pattern` as a whole and is not longer than `longest` characters."""
    compiled = re.compile(pattern)

    def check(value: object) -> str:
        if not isinstance(value, str):
            return "must be text"
        if len(value) > longest:
            return f"is longer than {longest} characters"
        return "" if compiled.fullmatch(value) else f"must match {pattern}"

    return check


def whole(lowest: int, highest: int) -> Check:
    """A whole number within bounds; true and false are none."""

    def check(value: object) -> str:
        if not isinstance(value, int) or isinstance(value, bool):
            return "must be a whole number"
        return "" if lowest <= value <= highest else f"must be from {lowest} to {highest}"

    return check


def number(lowest: float, highest: float) -> Check:
    """A number within bounds, with or without a fraction."""

    def check(value: object) -> str:
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            return "must be a number"
        return "" if lowest <= value <= highest else f"must be from {lowest:g} to {highest:g}"

    return check


def flag(value: object) -> str:
    """True or false."""
    return "" if isinstance(value, bool) else "must be true or false"


def one_of(*allowed: object) -> Check:
    """One of a few values."""

    def check(value: object) -> str:
        same = [one for one in allowed if one == value and isinstance(one, bool) == isinstance(value, bool)]
        return "" if same else f"must be one of {', '.join(map(str, allowed))}"

    return check


def maybe(inner: Check) -> Check:
    """Nothing, or what `inner` accepts."""
    return lambda value: "" if value is None else inner(value)


def either(*checks: Check) -> Check:
    """What any of the checks accepts."""

    def check(value: object) -> str:
        problems = [one(value) for one in checks]
        return "" if "" in problems else " or ".join(problems)

    return check


def listing(inner: Check, max_entries: int, min_entries: int = 0) -> Check:
    """A list with a bounded number of entries, each accepted by `inner`."""

    def check(value: object) -> str:
        if not isinstance(value, list):
            return "must be a list"
        if not min_entries <= len(value) <= max_entries:
            return f"must have from {min_entries} to {max_entries} entries"
        for number, entry in enumerate(value):
            problem = inner(entry)
            if problem:
                return f"entry {number} {problem}"
        return ""

    return check


def record(needed: Mapping[str, Check], optional: Mapping[str, Check] = {}) -> Check:
    """An object with exactly these keys: all of `needed`, any of `optional`, and no other."""

    def check(value: object) -> str:
        if not isinstance(value, dict):
            return "must be an object"
        for key in value:
            if key not in needed and key not in optional:
                return f"has an unknown key {str(key)[:40]!r}"
        for key in needed:
            if key not in value:
                return f"lacks {key!r}"
        for key, entry in value.items():
            problem = (needed.get(key) or optional[key])(entry)
            if problem:
                return f"{key!r} {problem}"
        return ""

    return check


def plain(deepest: int = 6, max_parts: int = 4096) -> Check:
    """Any JSON value of bounded depth, number of parts and length of text (a before-value, a level)."""

    def parts(value: object, depth: int) -> int:
        if depth > deepest:
            return max_parts + 1
        if isinstance(value, dict):
            return 1 + sum(
                parts(one, depth + 1) + (0 if isinstance(key, str) else max_parts) for key, one in value.items()
            )
        if isinstance(value, list):
            return 1 + sum(parts(one, depth + 1) for one in value)
        if isinstance(value, str):
            return 1 + len(value) // 64
        return 1 if value is None or isinstance(value, (bool, int, float)) else max_parts + 1

    def check(value: object) -> str:
        return "" if parts(value, 0) <= max_parts else f"is too deep or has more than {max_parts} parts"

    return check
