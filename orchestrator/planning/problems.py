"""Problems of a plan: each with its place in the file, the line itself, and what was probably meant.

A problem's code is stable and comes from the closed table CODES; the tests hold a failing sample for each.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from orchestrator.faults import PlanError

CODES = {
    "not-text": "the file is not UTF-8 text, or holds characters that do not belong in a plan",
    "too-large": "the file is larger, deeper or longer than any plan needs",
    "yaml": "the file is not YAML",
    "yaml-feature": "a part of YAML that plans do not have: tags, merge keys, several documents, keys not text",
    "alias": "an alias that refers to itself or to nothing, or too many of them",
    "number": "a number that cannot be read without doubt: leading zeros, too many digits",
    "duplicate-key": "the same key twice in one mapping",
    "unknown-key": "a key that the plan does not have",
    "missing-key": "a key that must be given",
    "wrong-type": "a value of another type than the key takes",
    "bad-value": "a value outside what the key takes",
    "bad-name": "a name that is not made of lower-case letters, digits, _ and -",
    "unit-missing": "a bare number where a unit is needed",
    "unit-unknown": "a unit that this kind of quantity does not have",
    "quantity": "not a quantity",
    "unknown-host": "a host that the plan does not declare",
    "unknown-factor": "neither a setting, nor a traffic factor, nor a factor of this plan",
    "unknown-level": "a level that the factor does not have",
    "bad-level": "a level that the setting or traffic factor cannot have",
    "old-word": "a word that plans had before, with the line that says it now",
    "clash": "two parts of the plan that say different things about the same",
    "never-applies": "a factor or condition that no cell of the plan meets",
    "too-many-cells": "more cells than a plan may have",
    "no-cells": "a plan that leaves nothing to measure",
    "unbound": "a $name that nothing is bound to",
    "bind": "a --bind that is malformed or that no plan uses",
}
CAP = 20
_WIDEST = 150
_LONGEST_PASTE = 1_500


@dataclass(frozen=True, order=True)
class Problem:
    """One problem; lines and columns count from 1, and line 0 is the command line."""

    line: int
    column: int
    code: str
    message: str
    suggestion: str = ""
    source: str = ""
    length: int = 1
    file: str = "plan.yaml"
    instead: str = ""  # lines that stand for those from `line` to `until`, ready to paste
    until: int = 0

    def render(self) -> str:
        """The problem as the user reads it, with its line and a caret."""
        if self.line <= 0:
            shown = [f"{self.file}: {self.message} [{self.code}]"]
        else:
            number = f"{self.line:>5}"
            text, caret = _window(self.source, self.column, self.length)
            shown = [
                f"{self.file}:{self.line}:{self.column}: {self.message} [{self.code}]",
                f"{number} | {text}",
                f"{' ' * len(number)} | {caret}",
            ]
        shown += [f"        {self.suggestion}"] if self.suggestion else []
        if self.instead:
            shown += [
                self.instead if len(self.instead) <= _LONGEST_PASTE else "        (too long to show here: see --json)"
            ]
        return "\n".join(shown)

    def as_dict(self) -> dict[str, Any]:
        """The problem for programs."""
        return asdict(self)


def _window(source: str, column: int, length: int) -> tuple[str, str]:
    """The part of the line around the problem, and the line with the caret below it."""
    start = max(0, column - 1 - _WIDEST // 2) if len(source) > _WIDEST else 0
    text = source[start : start + _WIDEST]
    before = text[: column - 1 - start]
    marked = text[len(before) : len(before) + max(1, length)] or " "
    shown = "".join(letter if letter.isprintable() else " " for letter in text)
    return ("..." if start else "") + shown, " " * (3 * bool(start) + _columns(before)) + "^" * max(1, _columns(marked))


def _columns(text: str) -> int:
    """Terminal columns that `text` takes."""
    return sum(
        0 if unicodedata.combining(letter) else 1 + (unicodedata.east_asian_width(letter) in "WF") for letter in text
    )


class PlanProblems(PlanError):  # noqa: N818 - it holds many; the name is fixed between the rooms
    """Everything that is wrong with a plan, found in one go."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        """Sorted by file and place; the same problem is said once."""
        self.problems = tuple(sorted(set(problems), key=lambda one: (one.file, one)))
        count = len(self.problems)
        summary = f"{count} problem{'s' * (count != 1)} in the plan; no host was contacted"
        super().__init__("plan", f"{summary}\n\n{self.render()}", problems=[one.as_dict() for one in self.problems])

    def render(self) -> str:
        """Up to CAP problems, each with its line, and how many more there are."""
        more = len(self.problems) - CAP
        return "\n\n".join(
            [*(one.render() for one in self.problems[:CAP]), *([f"... and {more} more"] if more > 0 else [])]
        )
