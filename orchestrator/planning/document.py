"""A plan file as read: plain data, and where in the text each part of it stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from orchestrator.planning.problems import Problem

Json = None | bool | int | float | str | list["Json"] | dict[str, "Json"]
Step = str | int
Path = tuple[Step, ...]


MOST_PROBLEMS = 200  # beyond which nothing more is looked for


@dataclass(frozen=True, slots=True)
class Position:
    """A part of the text; line and column count from 1."""

    line: int
    column: int
    length: int = 1


@dataclass(frozen=True, slots=True)
class Span:
    """A value of the text: (line, column) from 1 where it begins and behind its end; `flow`: in brackets or braces."""

    start: tuple[int, int]
    end: tuple[int, int]
    flow: bool


@dataclass
class Document:
    """The data of a file with the position of every key and value, and the problems found so far."""

    name: str
    lines: tuple[str, ...]
    data: Json = None
    positions: dict[Path, Position] = field(default_factory=dict)
    key_positions: dict[Path, Position] = field(default_factory=dict)
    spans: dict[Path, Span] = field(default_factory=dict)
    texts: dict[Path, str] = field(default_factory=dict)  # scalars as they were written
    broken: set[Path] = field(default_factory=set)  # already reported: what follows from them is not
    bound: dict[str, str] = field(default_factory=dict)  # the binds that the file used
    problems: list[Problem] = field(default_factory=list)

    @property
    def full(self) -> bool:
        """Whether so much is wrong that looking for more helps nobody."""
        return len(self.problems) >= MOST_PROBLEMS

    def report(self, path: Path, code: str, message: str, suggestion: str = "", *, key: bool = False) -> None:
        """Note a problem at `path` (at its key when `key`), unless it only follows from one already noted."""
        if any(path[:length] in self.broken for length in range(len(path) + 1)):
            return
        self.report_at(self.position(path, key=key), code, message, suggestion)

    def report_at(self, position: Position, code: str, message: str, suggestion: str = "") -> None:
        """Note a problem at a position of the text."""
        source = self.lines[position.line - 1] if 0 < position.line <= len(self.lines) else ""
        self.problems.append(
            Problem(position.line, position.column, code, message, suggestion, source, position.length, self.name)
        )

    def position(self, path: Path, *, key: bool = False) -> Position:
        """Where `path` stands; a part that has no position of its own stands where its nearest container does."""
        if key and path in self.key_positions:
            return self.key_positions[path]
        for length in range(len(path), -1, -1):
            if path[:length] in self.positions:
                return self.positions[path[:length]]
        return Position(1, 1)

    def source(self, start: tuple[int, int], end: tuple[int, int]) -> str:
        """The text from (line, column) up to (line, column), both from 1."""
        lines = list(self.lines[start[0] - 1 : end[0]])
        lines[-1] = lines[-1][: end[1] - 1]
        lines[0] = lines[0][start[1] - 1 :]
        return "\n".join(lines)

    def at(self, path: Path) -> Json:
        """The data at `path`, None when there is none."""
        here: Json = self.data
        for step in path:
            if isinstance(here, Mapping) and isinstance(step, str):
                here = here.get(step)
            elif isinstance(here, list) and isinstance(step, int) and 0 <= step < len(here):
                here = here[step]
            else:
                return None
        return here


def shown(value: Json) -> str:
    """A value within a sentence."""
    if isinstance(value, dict | list):
        return "a mapping" if isinstance(value, dict) else "a list"
    if isinstance(value, str):
        return f"'{value[:40]}'" + "..." * (len(value) > 40)
    if isinstance(value, bool):
        return str(value).lower()
    return "nothing" if value is None else str(value)
