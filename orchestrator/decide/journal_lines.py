"""The journal's lines: JSON, each with a checksum chained over all lines before it.

A line counts only if its own checksum and every earlier one hold, so a torn or altered tail can never be taken for
part of the story. Pure: the file itself is `act.journal`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

_SUM_LENGTH = 16
_TAIL = len(',"sum":""}') + _SUM_LENGTH
START = "linktrial"


@dataclass(frozen=True)
class Entry:
    """One line: its number from 1, when it was written (UTC), what kind it is, and its body."""

    number: int
    at: str
    kind: str  # setup | event | intent | note
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
    text = json.dumps({"n": entry.number, "at": entry.at, "kind": entry.kind, "body": entry.body},
                      separators=(",", ":"), ensure_ascii=True)
    total = chained_sum(previous, text)
    return f'{text[:-1]},"sum":"{total}"}}', total


def decode(lines: Iterable[bytes]) -> tuple[list[Entry], Cut | None, str]:
    """(entries up to the first bad line, where and why it was cut or None, the last good checksum)."""
    entries: list[Entry] = []
    previous, byte = START, 0
    for number, line in enumerate(lines, 1):
        data = _parsed(line, previous, number)
        if isinstance(data, str):
            return entries, Cut(number, byte, data), previous
        entries.append(Entry(data["n"], data["at"], data["kind"], data["body"]))
        previous, byte = data["sum"], byte + len(line)
    return entries, None, previous


def _parsed(line: bytes, previous: str, number: int) -> dict[str, Any] | str:
    """What a good line holds, or why it is none."""
    if not line.endswith(b"\n"):
        return "the line was not finished"
    try:
        text = line[:-1].decode("ascii")
    except UnicodeDecodeError:
        return "the line holds bytes that are not ours"
    if text[-_TAIL:-_SUM_LENGTH - 2] != ',"sum":"' or text[-2:] != '"}':
        return "the line has no checksum"
    if chained_sum(previous, text[:-_TAIL] + "}") != text[-_SUM_LENGTH - 2:-2]:
        return "the checksum does not fit the line and those before it"
    data: dict[str, Any] = json.loads(text)
    return data if data["n"] == number else "the line is out of order"
