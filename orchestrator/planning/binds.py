"""`$name` in a plan's values, bound on the command line by `--bind name=value`.

A value that is nothing but an unquoted `$name` takes the bound text as if it stood in the file (`--bind size=9000` is
the number 9000). Within other text, or in quotes, the bound text is put in as text. `$$` is a dollar sign, `${name}`
ends the name where the next letter would go on with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from orchestrator.planning.document import Json
from orchestrator.planning.problems import PlanProblems, Problem
from orchestrator.planning.scalars import resolve
from orchestrator.planning.synonyms import did_you_mean

_NAME = r"[A-Za-z][A-Za-z0-9_]*"
_USE = re.compile(rf"\$(?:(?P<dollar>\$)|\{{(?P<braced>{_NAME})\}}|(?P<plain>{_NAME}))", re.ASCII)
_LONGEST_VALUE = 4096
_COMMAND_LINE = "command line"


class UnboundError(KeyError):
    """A value names something that nothing is bound to."""

    def __init__(self, name: str) -> None:
        """The name without its dollar sign."""
        super().__init__(name)
        self.name = name


def fill(text: str, plain: bool, binds: Mapping[str, str], used: dict[str, str]) -> Json:
    """The value of a scalar with its binds filled in; `used` collects them. Raises UnboundError or ScalarError."""
    if "$" not in text:
        return resolve(text) if plain else text
    alone = _USE.fullmatch(text)
    if alone and plain and not alone["dollar"]:
        return resolve(_bound(alone, binds, used))
    return _USE.sub(lambda found: _bound(found, binds, used), text)


def _bound(found: re.Match[str], binds: Mapping[str, str], used: dict[str, str]) -> str:
    """What stands for one use."""
    name = found["braced"] or found["plain"]
    if name is None:
        return "$"
    if name not in binds:
        raise UnboundError(name)
    used[name] = binds[name]
    return binds[name]


def parse_binds(texts: Iterable[str]) -> dict[str, str]:
    """`name=value` texts of the command line as a mapping. Raises PlanProblems, all at once."""
    binds: dict[str, str] = {}
    problems = []
    for text in texts:
        name, equals, value = text.partition("=")
        why = _bind_problem(name, equals, value, binds)
        if why:
            problems.append(Problem(0, 0, "bind", f"--bind {text[:60]}: {why}", file=_COMMAND_LINE))
        else:
            binds[name] = value
    if problems:
        raise PlanProblems(problems)
    return binds


def _bind_problem(name: str, equals: str, value: str, binds: Mapping[str, str]) -> str:
    """Why this bind cannot be, or ""."""
    if not equals:
        return "write name=value"
    if not re.fullmatch(_NAME, name, re.ASCII):
        return "a name is a letter, then letters, digits and _"
    if name in binds and binds[name] != value:
        return f"{name} is bound twice"
    if len(value) > _LONGEST_VALUE or not value.isprintable():
        return f"a value is at most {_LONGEST_VALUE} printable characters"
    return ""


def unused_binds(binds: Iterable[str], used: Iterable[str]) -> list[Problem]:
    """A problem for each bind that no value of any plan used."""
    names = sorted(set(used))
    return [
        Problem(
            0,
            0,
            "bind",
            f"--bind {name}=...: no value of the plan is ${name}",
            did_you_mean(name, names),
            file="command line",
        )
        for name in sorted(set(binds) - set(names))
    ]
