"""Words that plans had before: found in a file, told with the lines to write instead, and read as what they mean."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from orchestrator.planning.document import Document, Json, Path, Span
from orchestrator.planning.links import FAR, UNDER_TEST
from orchestrator.planning.problems import Problem
from orchestrator.planning.reader import read
from orchestrator.words.renamed import FACTORS

_BOUNDS = {"least": "min", "most": "max"}
_AT = {"first": UNDER_TEST, "second": FAR}
Point = tuple[int, int]  # line and column, from 1


@dataclass(frozen=True, order=True)
class Edit:
    """The text from `start` up to `end` becomes `text`; `said` is why."""

    start: Point
    end: Point
    text: str
    said: str


class OldWords:
    """What of a file is written in old words."""

    def __init__(self, document: Document) -> None:
        """Looks the document through; nothing is noted in it."""
        self._document = document
        found = sorted({(edit.start, edit.end): edit for edit in _edits(document)}.values())
        self._edits = [edit for number, edit in enumerate(found) if not number or found[number - 1].end <= edit.start]

    def __bool__(self) -> bool:
        return bool(self._edits)

    def text(self) -> str:
        """The whole file in today's words."""
        return "\n".join(self._written(1, len(self._document.lines), self._edits))

    def problems(self) -> Iterator[Problem]:
        """One for each line, or lines that belong together, with what stands for it ready to paste."""
        for group in self._groups():
            first, last = group[0].start[0], max(edit.end[0] for edit in group)
            said = "; ".join(dict.fromkeys(edit.said for edit in group))
            where = f", in lines {first} to {last}" if last > first else ""
            yield Problem(
                first,
                group[0].start[1],
                "old-word",
                f"a plan says this otherwise now: {said}{where}",
                f"write instead of {'these lines' if last > first else 'this line'}:",
                self._document.lines[first - 1],
                max(1, group[0].end[1] - group[0].start[1]) if group[0].end[0] == first else 1,
                self._document.name,
                instead="\n".join(self._written(first, last, group)),
                until=last,
            )

    def as_it_stands(self, problem: Problem) -> Problem:
        """A problem of the file in today's words, at the position where the file has it."""
        line, column = self._position(problem.line, problem.column)
        return replace(problem, line=line, column=column, source=self._document.lines[line - 1])

    def _groups(self) -> Iterator[list[Edit]]:
        """Edits that touch the same lines."""
        group: list[Edit] = []
        for edit in self._edits:
            if group and edit.start[0] > max(one.end[0] for one in group):
                yield group
                group = []
            group.append(edit)
        if group:
            yield group

    def _written(self, first: int, last: int, edits: list[Edit]) -> list[str]:
        """Lines first to last in today's words."""
        here: Point = (first, 1)
        parts = []
        for edit in edits:
            parts += [self._document.source(here, edit.start), edit.text]
            here = edit.end
        parts.append(self._document.source(here, (last, len(self._document.lines[last - 1]) + 1)))
        return "".join(parts).split("\n")

    def _position(self, line: int, column: int) -> Point:
        """Where a position of the new text stands in the file; within an edit, where the edit begins."""
        ends: list[tuple[Point, Point, Point]] = []  # an edit's start in the new text, its end there and in the file
        at: Point = (1, 1)
        before: Point = (1, 1)
        for edit in self._edits:
            start = _moved(at, before, edit.start)
            lines = edit.text.split("\n")
            end = (start[0] + len(lines) - 1, len(lines[-1]) + (start[1] if len(lines) == 1 else 1))
            ends.append((start, end, edit.start))
            if start <= (line, column) < end:
                return edit.start
            if (line, column) < start:
                break
            at, before = end, edit.end
        found = _moved(before, at, (line, column))
        return min(found[0], len(self._document.lines)), found[1]


def _moved(to: Point, origin: Point, point: Point) -> Point:
    """`point` as far behind `to` as it is behind `origin`."""
    if point[0] == origin[0]:
        return to[0], to[1] + point[1] - origin[1]
    return to[0] + point[0] - origin[0], point[1]


def in_new_words(text: str, binds: Mapping[str, str]) -> str:
    """The plan that an earlier run kept, in today's words; unchanged where it is so already, or cannot be read."""
    document = read(text, binds=binds)
    found = OldWords(document)
    return found.text() if found else text


def _edits(document: Document) -> Iterator[Edit]:
    """Everything in the document that is an old word."""
    for name, link in _mapping(document.at(("links",))).items():
        yield from _link(document, ("links", name), _mapping(link))
    factors = _mapping(document.at(("factors",)))
    renamed = {name for name in FACTORS if name not in factors or _is_old_factor(name, factors)}
    for name in factors:
        if name in renamed:
            yield _key(document, ("factors", name), FACTORS[name])
        yield from _entry(document, ("factors", name), renamed)
    hold = document.at(("hold",))
    for number in range(len(hold) if isinstance(hold, list) else 0):
        yield from _entry(document, ("hold", number), renamed)
    left_out = document.at(("leave_out",))
    for number in range(len(left_out) if isinstance(left_out, list) else 0):
        yield from _keys(document, ("leave_out", number), renamed)
    for old, new in _BOUNDS.items():
        if old in _mapping(document.at(("trial", "replicates"))):
            yield _key(document, ("trial", "replicates", old), new)


def _is_old_factor(name: str, factors: Mapping[str, Json]) -> bool:
    """Whether a factor has the old name because of what it varies, and not a name of its own."""
    about = factors[name]
    own = isinstance(about, dict) and ("setting" in about or isinstance(about.get("levels"), dict))
    return not own and FACTORS[name] not in factors


def _link(document: Document, path: Path, link: Mapping[str, Json]) -> Iterator[Edit]:
    """The two ends of a link, and their addresses."""
    ends, address = link.get("ends"), link.get("address")
    if isinstance(ends, list) and len(ends) == 2 and not {UNDER_TEST, FAR} & set(link):
        here = (*path, "ends")
        one, two = (_end(document, (*here, number), end) for number, end in enumerate(ends))
        key = document.key_positions[here]
        between = ", " if document.spans[path].flow else "\n" + " " * (key.column - 1)
        text = f"{UNDER_TEST}: {one}{between}{FAR}: {two}"
        said = f"'ends' is {UNDER_TEST} and {FAR}"
        yield Edit((key.line, key.column), document.spans[here].end, text, said)
    if isinstance(address, list) and len(address) == 2:
        here = (*path, "address")
        one, two = (_raw(document, (*here, number), text) for number, text in enumerate(address))
        span = document.spans[here]
        yield Edit(span.start, span.end, f"{{{UNDER_TEST}: {one}, {FAR}: {two}}}", "each end's address has its name")


def _end(document: Document, path: Path, end: Json) -> str:
    """One end as it is written now."""
    if isinstance(end, dict):
        marks = (f"{key}: {_raw(document, (*path, key), mark)}" for key, mark in end.items())
        return f"{{{', '.join(marks)}}}"
    raw = _raw(document, path, end)
    return raw if raw.startswith("*") else raw.replace(":", " ", 1)


def _entry(document: Document, path: Path, renamed: set[str]) -> Iterator[Edit]:
    """A factor or an entry of `hold`: its setting, where it is, on what it depends, what it bundles."""
    about = _mapping(document.at(path))
    setting, at = about.get("setting"), about.get("at")
    if isinstance(setting, str) and setting in FACTORS:
        yield _value(document, (*path, "setting"), FACTORS[setting], f"'{setting}' is {FACTORS[setting]}")
    if isinstance(at, str) and at in _AT and at not in _mapping(document.at(("hosts",))):
        yield _value(document, (*path, "at"), _AT[at], f"the {at} end is {_AT[at]}")
    elif isinstance(at, str) and at.partition(":")[0] in _mapping(document.at(("hosts",))) and ":" in at:
        raw = _raw(document, (*path, "at"), at)
        said = "host and interface stand apart"
        yield _value(document, (*path, "at"), raw.replace(":", " ", 1), said)
    yield from _keys(document, (*path, "only"), renamed)
    for level in _mapping(about.get("levels")):
        yield from _keys(document, (*path, "levels", level), set(FACTORS))


def _keys(document: Document, path: Path, renamed: set[str]) -> Iterator[Edit]:
    """The keys of a condition or a bundle's level."""
    for name in _mapping(document.at(path)):
        if name in renamed:
            yield _key(document, (*path, name), FACTORS[name])


def _key(document: Document, path: Path, word: str) -> Edit:
    """A key that is another word now."""
    key = document.key_positions[path]
    return Edit((key.line, key.column), (key.line, key.column + key.length), word, f"'{path[-1]}' is {word}")


def _value(document: Document, path: Path, text: str, said: str) -> Edit:
    span: Span = document.spans[path]
    return Edit(span.start, span.end, text, said)


def _raw(document: Document, path: Path, value: Json) -> str:
    """A value as the file has it, in one line."""
    span = document.spans[path]
    return document.source(span.start, span.end) if span.start[0] == span.end[0] else json.dumps(value)


def _mapping(value: Json) -> Mapping[str, Json]:
    return value if isinstance(value, dict) else {}
