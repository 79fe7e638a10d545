"""How an unquoted word of a plan is read: less than YAML 1.1 would, so that what is written is what is meant.

Only true, false, null, decimal integers and decimal fractions are not text. `on`, `NO`, `12:30`, `0000:03:00.0` and
`10:20:30:40:50:11` stay text; `0755` is refused, because one reader makes it 755 and another 493.
"""

from __future__ import annotations

import math
import re

_INTEGER = re.compile(r"[-+]?[0-9]+", re.ASCII)
_FRACTION = re.compile(r"[-+]?(?:[0-9]+\.[0-9]*|\.[0-9]+|[0-9]+)(?:[eE][-+]?[0-9]+)?", re.ASCII)
_WORDS: dict[str, bool | None] = {"true": True, "false": False, "null": None, "~": None, "": None}
_MOST_DIGITS = 18


class ScalarError(ValueError):
    """A word that cannot be read without doubt."""

    def __init__(self, message: str, suggestion: str) -> None:
        """What is wrong, and what to write instead."""
        super().__init__(message)
        self.message = message
        self.suggestion = suggestion


def resolve(text: str) -> bool | int | float | str | None:
    """The value of an unquoted word. Raises ScalarError."""
    if text in _WORDS:
        return _WORDS[text]
    if not _FRACTION.fullmatch(text):
        return text
    digits = text.lstrip("+-")
    if len(digits) > 1 and digits[0] == "0" and digits[1].isdigit():
        bare = digits.lstrip("0") or "0"
        raise ScalarError(
            f"{_short(text)} has a leading zero: one reader makes it {_short(bare)}, another reads it as octal",
            f'write {_short(bare)} if it is a number, "{_short(text)}" in quotes if it is text',
        )
    if sum(digit.isdigit() for digit in digits) > _MOST_DIGITS:
        raise ScalarError(f"{_short(text)} has more than {_MOST_DIGITS} digits", "quote it if it is text")
    if _INTEGER.fullmatch(text):
        return int(text)
    value = float(text)
    if math.isinf(value):
        raise ScalarError(f"{_short(text)} is larger than any number here", "quote it if it is text")
    return value


def _short(text: str) -> str:
    """Enough of a long word to recognise it."""
    return text if len(text) <= 24 else text[:21] + "..."
