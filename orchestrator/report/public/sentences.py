"""What our own sentences look like, read from this package's own source: their fixed words, and the holes between.

A sentence that a trial, a host's end or a note carries is one of ours with names and figures in its holes. Its fixed
words are harmless because they stand in our source; what fills a hole is judged by itself. Docstrings and examples are
no sentences: nothing writes them into a run.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from orchestrator.report.public.reviewed import SCENARIO

_ROOMS = ("decide", "onhost", "results", "planning", "wire", "metrics", "faults.py")
_PAGE_ROOMS = ("report",)
_LEAST_LETTERS = 6  # in the fixed part: less is no sentence, and would fit anything
_MOST_HOLES = 12
_EXAMPLES = frozenset({"examples", "example"})
_HOLE = re.compile(r"\{[a-z_]*(?:![rs])?(?::[^{}]*)?\}")
_WORD = re.compile(r"[^\W\d_][^\W\d_'-]*")
_SCENARIO_WORD = re.compile(r"(?i)(?<![a-z])(?:" + "|".join(sorted(SCENARIO)) + r")(?![a-z])")

Fixed = tuple[str, ...]  # the fixed parts of a sentence, a hole between each two


@cache
def sentences() -> tuple[Fixed, ...]:
    """Every form of sentence, the one with most fixed text first."""
    found = {fixed for fixed in _texts(_ROOMS) if _is_sentence(fixed)}
    return tuple(sorted(found, key=lambda fixed: (-sum(map(len, fixed)), fixed)))


@cache
def words() -> frozenset[str]:
    """The words of our texts, in small letters; none of the scenario's names."""
    found = {word.lower() for fixed in _texts(_ROOMS) for part in fixed for word in _WORD.findall(part)}
    return frozenset(found - SCENARIO)


@cache
def page_words() -> frozenset[str]:
    """The words that our page, charts and tables are written with, beside `words`."""
    found = {word.lower() for fixed in _texts(_PAGE_ROOMS) for part in fixed for word in _WORD.findall(part)}
    return frozenset(found - SCENARIO)


def holes_of(text: str) -> list[tuple[str, bool]] | None:
    """The text taken apart by the first of our sentences that it is: (part, whether it fills a hole); None if none."""
    for fixed in sentences():
        parts = _fitted(fixed, text)
        if parts is not None:
            return parts
    return None


def _fitted(fixed: Fixed, text: str) -> list[tuple[str, bool]] | None:
    """By the first place that each fixed part has; linear, whatever the text."""
    if len(fixed) == 1:
        return [(text, False)] if text == fixed[0] else None
    if not text.startswith(fixed[0]) or not text.endswith(fixed[-1]):
        return None
    end = len(text) - len(fixed[-1])
    parts, at = [(fixed[0], False)], len(fixed[0])
    for part in fixed[1:-1]:
        place = text.find(part, at, end)
        if place < 0:
            return None
        parts += [(text[at:place], True), (part, False)]
        at = place + len(part)
    return [*parts, (text[at:end], True), (fixed[-1], False)] if at <= end else None


def _is_sentence(fixed: Fixed) -> bool:
    whole = " ".join(fixed)
    letters = sum(character.isalpha() for character in whole)
    return (
        letters >= _LEAST_LETTERS
        and " " in whole.strip()
        and len(fixed) <= _MOST_HOLES + 1
        and all(fixed[1:-1])
        and not _SCENARIO_WORD.search(whole)
    )


def _texts(rooms: tuple[str, ...]) -> Iterator[Fixed]:
    root = files("orchestrator")
    for room in rooms:
        for source in _sources(root / room):
            yield from _of_source(ast.parse(source.read_text(encoding="utf-8")))


def _sources(place: Traversable) -> Iterator[Traversable]:
    if place.is_dir():
        for inner in sorted(place.iterdir(), key=lambda one: one.name):
            yield from _sources(inner)
    elif place.name.endswith(".py") and place.is_file():
        yield place


def _of_source(node: ast.AST) -> Iterator[Fixed]:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):  # a docstring
        return
    if isinstance(node, ast.keyword) and node.arg in _EXAMPLES:
        return
    if isinstance(node, ast.JoinedStr):
        yield from _of_joined(node)
        return
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str):
            yield tuple(_HOLE.split(node.value))
        return
    for inner in ast.iter_child_nodes(node):
        yield from _of_source(inner)


def _of_joined(node: ast.JoinedStr) -> Iterator[Fixed]:
    fixed = [""]
    for value in node.values:
        if isinstance(value, ast.Constant):
            fixed[-1] += str(value.value)
        else:
            fixed.append("")
            if isinstance(value, ast.FormattedValue):
                yield from _of_source(value.value)
    yield tuple(fixed)
