"""The journal's lines: JSON, each with a checksum chained over all lines before it.

A line counts only if its own checksum and every earlier one hold, so a torn or altered tail can never be taken for
part of the story. Lines of intervals are by far the most of a long trial: `decode` checks them, parses and keeps
none, so that a run's story takes no more time and memory than the story. Pure: the file itself is `act.journal`.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from orchestrator.decide.interval_lines import INTERVALS
from orchestrator.decide.version_1 import in_todays_names, users_factors
from orchestrator.stored import loads

_SUM_LENGTH = 16
_TAIL = len(',"sum":""}') + _SUM_LENGTH
START = "linktrial"
# Of a journal: it is read a line at a time, so its size costs time and no memory. A day of a link with 16 cores at each
# end takes 0.4 GB.
MOST_BYTES = 16 << 30
_HEAD = re.compile(r'\{"n":(\d{1,18}),"at":"[^"]*","kind":"([a-z_]+)","body":')


@dataclass(frozen=True)
class Entry:
    """One line: its number from 1, when it was written (UTC), what kind it is, and its body."""

    number: int
    at: str
    kind: str  # setup | event | intent | note | intervals
    body: dict[str, Any]


@dataclass(frozen=True)
class Cut:
    """Where a journal stops being true, and why."""

    line: int
    byte: int
    why: str


def chained_sum(previous: str, text: str) -> str:
    """Hexadecimal checksum of a line's text after the previous line's checksum."""
    return hashlib.blake2b((previous + text).encode(), digest_size=_SUM_LENGTH // 2).hexdigest()


def encode(entry: Entry, previous: str) -> tuple[str, str]:
    """(the line without its newline, its checksum)."""
    text = json.dumps(
        {"n": entry.number, "at": entry.at, "kind": entry.kind, "body": entry.body},
        separators=(",", ":"),
        ensure_ascii=True,
    )
    total = chained_sum(previous, text)
    return f'{text[:-1]},"sum":"{total}"}}', total


@dataclass(frozen=True)
class Line:
    """A good line, not parsed yet: where it begins in the file, and its text without newline."""

    number: int
    byte: int
    kind: str
    text: str
    users_names: frozenset[str] | None = None  # of a journal of version 1; None: it is of today's version

    def entry(self) -> Entry:
        """What it says, in today's names; ValueError when that is no record."""
        data = loads(self.text)
        body = data["body"]
        if not isinstance(body, dict):
            raise ValueError(f"line {self.number} of the journal says nothing")
        if self.users_names is not None:
            body = in_todays_names(body, self.users_names)
        return Entry(data["n"], data["at"], data["kind"], body)


class Walk:
    """Goes over a journal's lines as far as they are good: `for line in walk`. It keeps none of them."""

    def __init__(self, lines: Iterable[bytes]) -> None:
        """`lines` with their newlines."""
        self._lines = lines
        self.cut: Cut | None = None  # where it stops being true, and why
        self.number, self.sum = 0, START  # of the last good line

    def __iter__(self) -> Iterator[Line]:
        byte, names = 0, None
        for number, data in enumerate(self._lines, 1):
            line = _good(data, self.sum, number, byte)
            if isinstance(line, str):
                self.cut = Cut(number, byte, line)
                return
            self.number, self.sum = number, line.text[-_SUM_LENGTH - 2 : -2]
            byte += len(data)
            if number == 1:
                names = _users_names(line)
            yield replace(line, users_names=names) if names is not None else line


def decode(lines: Iterable[bytes]) -> tuple[list[Entry], Cut | None, str]:
    """(entries up to the first bad line, where and why it was cut or None, the last good checksum).

    Lines of intervals are checked like all others and left out.
    """
    walk = Walk(lines)
    entries = [line.entry() for line in walk if line.kind != INTERVALS]
    return entries, walk.cut, walk.sum


def _users_names(first: Line) -> frozenset[str] | None:
    """The user's own names in a setup of version 1, which says no version: hosts, links, factors; None for today's."""
    try:
        setup = loads(first.text)["body"]
        if "version" in setup:
            return None
        return frozenset({*setup["hosts"], *(link["name"] for link in setup["links"])}) | users_factors(
            setup.get("cells")
        )
    except (ValueError, KeyError, TypeError):
        return None  # no run's setup: whoever reads it says so


def _good(data: bytes, previous: str, number: int, byte: int) -> Line | str:
    """A good line, or why it is none."""
    if not data.endswith(b"\n"):
        return "the line was not finished"
    try:
        text = data[:-1].decode("ascii")
    except UnicodeDecodeError:
        return "the line holds bytes that are not ours"
    if text[-_TAIL : -_SUM_LENGTH - 2] != ',"sum":"' or text[-2:] != '"}':
        return "the line has no checksum"
    if chained_sum(previous, text[:-_TAIL] + "}") != text[-_SUM_LENGTH - 2 : -2]:
        return "the checksum does not fit the line and those before it"
    head = _HEAD.match(text)
    if head is None or int(head[1]) != number:
        return "the line is out of order"
    return Line(number, byte, head[2], text)
