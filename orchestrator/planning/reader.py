"""Reads a plan's text as YAML, within bounds, and keeps the position of every part.

Built on PyYAML's stream of events instead of its loader, because the loader keeps the last of two equal keys, lets a
few hundred bytes grow into gigabytes by aliases and merge keys, and forgets where things stood. A problem that leaves
the rest readable is noted and reading goes on, so that all are said in one go.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NoReturn

import yaml

from orchestrator.planning.binds import UnboundError, fill
from orchestrator.planning.document import Document, Json, Path, Position, Span
from orchestrator.planning.problems import PlanProblems, Problem
from orchestrator.planning.scalars import ScalarError, resolve
from orchestrator.planning.synonyms import meant
from orchestrator.planning.yaml_errors import explain

MOST_BYTES = 2**20
MOST_NODES = 20_000
MOST_ALIASES = 100
MOST_KEYS = 500
DEEPEST = 32
LONGEST_LINE = 20_000
MOST_LINES = 20_000
# Everything outside: control characters, other line ends, surrogates, and marks that turn the direction of the text
# around, so that a person would see another plan than the one that is read.
_FOREIGN = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u200d\u2010-\u2027\u202f-\u2065\u206a-\ud7ff\ue000-\ufefe\uff00-\ufffd"
    "\U00010000-\U0010ffff]"
)
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


class _Unreadable(Exception):  # noqa: N818 - never leaves this file
    """The rest of the file cannot be read; the problem is noted."""


def decode(data: bytes, name: str) -> str:
    """The text of a plan file. Raises PlanProblems when it is no UTF-8 text or too large."""
    if len(data) > MOST_BYTES:
        raise PlanProblems([Problem(1, 1, "too-large", f"the plan is larger than {MOST_BYTES} bytes", file=name)])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
        source = data.splitlines()[line - 1].decode("ascii", "replace") if before else ""
        raise PlanProblems(
            [
                Problem(
                    line,
                    column,
                    "not-text",
                    f"byte 0x{data[error.start]:02x} is not UTF-8 text",
                    "save the file as UTF-8",
                    source,
                    file=name,
                )
            ]
        ) from None


def read(text: str, *, name: str = "plan.yaml", binds: Mapping[str, str] | None = None) -> Document:
    """The document in `text` with its problems; `data` is None when nothing could be read."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    document = Document(name, tuple(text.split("\n")))
    try:
        _refuse_foreign(text, document)
        _Reading(text, document, binds or {}).run()
    except _Unreadable:
        pass
    except yaml.YAMLError as error:
        position, message, suggestion = explain(error)
        document.report_at(position, "yaml", message, suggestion)
    return document


def _refuse_foreign(text: str, document: Document) -> None:
    """Refuse what is too large, and characters that a reader of the file would not see as they are."""
    if len(text) > MOST_BYTES or len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        document.report_at(Position(1, 1), "too-large", f"the plan is larger than {MOST_BYTES} bytes")
        raise _Unreadable
    found = _FOREIGN.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        column = found.start() - text.rfind("\n", 0, found.start())
        document.report_at(
            Position(line, column),
            "not-text",
            f"character U+{ord(found.group()):04X} does not belong in a plan",
            "remove it; an editor may not show it",
        )
        raise _Unreadable
    if len(document.lines) > MOST_LINES:
        document.report_at(Position(MOST_LINES + 1, 1), "too-large", f"more than {MOST_LINES} lines")
        raise _Unreadable
    for number, line_text in enumerate(document.lines, 1):
        if len(line_text) > LONGEST_LINE:
            document.report_at(
                Position(number, 1),
                "too-large",
                f"the line has {len(line_text)} characters: a plan's line has at most {LONGEST_LINE}",
            )
            raise _Unreadable


@dataclass(frozen=True, slots=True)
class _Anchored:
    """What an anchor stands for: where it was written, how many values it holds and how deep it goes."""

    value: Json
    path: Path
    nodes: int
    height: int


class _Reading:
    """One pass over the events of one text."""

    def __init__(self, text: str, document: Document, binds: Mapping[str, str]) -> None:
        """The document is filled in as the events come."""
        self._document = document
        self._binds = binds
        self._events: Iterator[yaml.Event] = yaml.parse(text, Loader=yaml.SafeLoader)
        self._last = Position(1, 1)
        self._end = (1, 1)  # behind the last event that has an extent; the end of a block has none
        self._anchors: dict[str, _Anchored | None] = {}
        self._nodes = 0
        self._aliases = 0
        self._reach = 0

    def run(self) -> None:
        """Read the whole stream: one document."""
        documents = 0
        while not isinstance(event := self._next(), yaml.StreamEndEvent):
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._stop(
                        event,
                        "yaml-feature",
                        "a second document begins here: one file is one plan",
                        "write each plan into a file of its own",
                    )
                self._document.data = self._node(self._next(), (), 0)
        if not documents:
            self._document.report_at(
                Position(1, 1), "missing-key", "the file is empty: a plan begins with `plan: <name>`"
            )

    def _next(self) -> yaml.Event:
        """The next event of the stream."""
        try:
            event = next(self._events)
        except (ValueError, OverflowError):  # PyYAML converts escapes and version numbers without looking at their size
            self._document.report_at(self._last, "yaml", "an escape or number after here is larger than YAML allows")
            raise _Unreadable from None
        self._last = _position(event)
        if (
            event.start_mark is not None
            and event.end_mark is not None
            and event.start_mark.index < event.end_mark.index
        ):
            self._end = (event.end_mark.line + 1, event.end_mark.column + 1)
        return event

    def _stop(self, event: yaml.Event, code: str, message: str, suggestion: str = "") -> NoReturn:
        """Note a problem after which the rest is not read."""
        self._document.report_at(_position(event), code, message, suggestion)
        raise _Unreadable

    def _broken(self, path: Path, event: yaml.Event, code: str, message: str, suggestion: str = "") -> None:
        """Note a problem of one value and go on."""
        self._document.report_at(_position(event), code, message, suggestion)
        self._document.broken.add(path)

    def _count(self, event: yaml.Event, nodes: int, depth: int) -> None:
        """Refuse what grows beyond any plan."""
        self._nodes += nodes
        self._reach = max(self._reach, depth)
        if self._nodes > MOST_NODES:
            self._stop(event, "too-large", f"more than {MOST_NODES} values, counting those that aliases repeat")
        if depth > DEEPEST:
            self._stop(event, "too-large", f"nested more than {DEEPEST} deep")

    def _node(self, event: yaml.Event, path: Path, depth: int) -> Json:
        """The value that begins with `event`."""
        self._count(event, 1, depth)
        begin = self._document.positions[path] = _position(event)
        value = self._whole(event, path, depth)
        flow = bool(getattr(event, "flow_style", False))
        self._document.spans[path] = Span((begin.line, begin.column), self._end, flow)
        return value

    def _whole(self, event: yaml.Event, path: Path, depth: int) -> Json:
        """The same, with its tag and anchor."""
        if isinstance(event, yaml.AliasEvent):
            return self._alias(event, path, depth)
        tag = getattr(event, "tag", None)
        if tag is not None:
            problem = f"the tag {tag[:40]} is not used in plans"
            self._broken(path, event, "yaml-feature", problem, "leave the tag out")
        anchor = getattr(event, "anchor", None)
        if anchor is None:
            return self._bare(event, path, depth)
        nodes, reach = self._nodes, self._reach
        self._reach = depth
        self._anchors[anchor] = None
        value = self._bare(event, path, depth)
        self._anchors[anchor] = _Anchored(value, path, self._nodes - nodes + 1, self._reach - depth)
        self._reach = max(reach, self._reach)
        return value

    def _bare(self, event: yaml.Event, path: Path, depth: int) -> Json:
        """A mapping, list or scalar, whatever its tag and anchor."""
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(path, depth)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path, depth)
        return self._scalar(event, path) if isinstance(event, yaml.ScalarEvent) else None

    def _alias(self, event: yaml.AliasEvent, path: Path, depth: int) -> Json:
        """What the anchor of that name stands for, counted as if it were written out."""
        self._aliases += 1
        name = str(event.anchor)
        if self._aliases > MOST_ALIASES:
            self._stop(event, "alias", f"more than {MOST_ALIASES} aliases")
        if name not in self._anchors:
            problem = f"*{name[:40]} refers to nothing: no &{name[:40]} stands before it"
            self._broken(path, event, "alias", problem)
            return None
        known = self._anchors[name]
        if known is None:
            self._broken(path, event, "alias", f"*{name[:40]} refers to the value that it is part of")
            return None
        self._count(event, known.nodes, depth + known.height)
        self._copy_positions(known.path, path, known.value)
        return known.value

    def _copy_positions(self, source: Path, path: Path, value: Json) -> None:
        """What an alias repeats stands where it was written."""
        document = self._document
        for step, part in (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        ):
            here, there = (*source, step), (*path, step)
            for table in (document.positions, document.key_positions):
                if here in table:
                    table[there] = table[here]
            if here in document.spans:
                document.spans[there] = document.spans[here]
            if here in document.texts:
                document.texts[there] = document.texts[here]
            if here in document.broken:
                document.broken.add(there)
            self._copy_positions(here, there, part)
        if source in document.texts:
            document.texts[path] = document.texts[source]

    def _sequence(self, path: Path, depth: int) -> Json:
        """A list."""
        values: list[Json] = []
        while not isinstance(event := self._next(), yaml.SequenceEndEvent):
            values.append(self._node(event, (*path, len(values)), depth + 1))
        return values

    def _mapping(self, path: Path, depth: int) -> Json:
        """A mapping whose keys are text; the first of two equal keys counts, and both lines are named."""
        values: dict[str, Json] = {}
        while not isinstance(event := self._next(), yaml.MappingEndEvent):
            key = self._key(event, depth)
            if key is None or key in values:
                if key is not None:
                    first = self._document.key_positions[(*path, key)]
                    self._document.report_at(
                        _position(event),
                        "duplicate-key",
                        f"'{key[:40]}' is given twice: first in line {first.line}",
                        "keep one of the two",
                    )
                self._skip(depth)
                continue
            if len(values) >= MOST_KEYS:
                self._stop(event, "too-large", f"more than {MOST_KEYS} keys in one mapping")
            self._document.key_positions[(*path, key)] = _position(event)
            values[key] = self._node(self._next(), (*path, key), depth + 1)
        return values

    def _key(self, event: yaml.Event, depth: int) -> str | None:
        """The text of a key, or None when it is not one."""
        self._count(event, 1, depth + 1)
        if not isinstance(event, yaml.ScalarEvent):
            self._document.report_at(_position(event), "yaml-feature", "a key is a word, not a list, mapping or alias")
            if not isinstance(event, yaml.AliasEvent):
                self._skip_rest(event, depth)
            return None
        if event.tag is not None or event.anchor is not None:
            self._document.report_at(_position(event), "yaml-feature", "a key has no tag and no anchor")
        text: str = event.value
        if text == "<<" and event.style is None:
            self._document.report_at(
                _position(event),
                "yaml-feature",
                "merge keys (<<) are not used in plans",
                "write the keys out, or repeat a whole value by an alias",
            )
            return None
        if event.style is None and not isinstance(_resolved(event), str):
            self._document.report_at(
                _position(event),
                "yaml-feature",
                f"the key {text[:40] or 'null'} is not text",
                f'a name begins with a letter; in quotes it is text: "{text[:40]}"',
            )
            return None
        if _CONTROL.search(text) or _FOREIGN.search(text):
            self._document.report_at(_position(event), "not-text", "a key holds a control character")
            return None
        return text

    def _skip(self, depth: int) -> None:
        """Read a value and forget it."""
        self._skip_rest(self._next(), depth)

    def _skip_rest(self, event: yaml.Event, depth: int) -> None:
        """Read the rest of the value that began with `event` and forget it."""
        self._count(event, 1, depth)
        open_ = 0
        while True:
            open_ += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
            if open_ <= 0:
                return
            event = self._next()
            self._count(event, 1, depth + open_)

    def _scalar(self, event: yaml.ScalarEvent, path: Path) -> Json:
        """A word, number or text with its binds filled in."""
        text: str = event.value
        plain = event.style is None
        self._document.texts[path] = text
        if _CONTROL.search(text) or _FOREIGN.search(text):
            self._broken(path, event, "not-text", "the text holds a control character")
            return None
        try:
            value = fill(text, plain, self._binds, self._document.bound)
        except UnboundError as error:
            near = meant(error.name, self._binds)
            hint = f"the command line binds {near}: did you mean that? otherwise " if near else ""
            hint += f"give --bind {error.name}=..., or write $$ for a dollar sign"
            self._broken(path, event, "unbound", f"nothing is bound to ${error.name}", hint)
            return None
        except ScalarError as error:
            self._broken(path, event, "number", error.message, error.suggestion)
            return None
        if "$" in text:
            self._document.texts[path] = str(fill(text, False, self._binds, self._document.bound))
        return value


def _resolved(event: yaml.ScalarEvent) -> Json:
    """A key's value, to see that it is text; names are never bound."""
    try:
        return resolve(event.value)
    except ScalarError:
        return None


def _position(event: yaml.Event) -> Position:
    """Where an event stands; as long as its first line."""
    start, end = event.start_mark, event.end_mark
    if start is None or end is None:  # never so for events of a text; the library's types allow it
        return Position(1, 1)
    length = end.column - start.column if end.line == start.line else 1
    return Position(start.line + 1, start.column + 1, max(1, length))
