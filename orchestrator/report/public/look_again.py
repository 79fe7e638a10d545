"""The second look: everything that was replaced is searched in what was written, in every form it could have there."""

from __future__ import annotations

import csv
import gzip
import html
import io
import json
import re
import struct
from collections.abc import Iterable, Iterator
from html.parser import HTMLParser
from urllib.parse import unquote

from orchestrator.planning.document import Json
from orchestrator.report.public.reviewed import (
    BUILD_WORDS,
    CHART_WORDS,
    COUNTER_WORDS,
    ENDED,
    HOW,
    INTERFACE_KINDS,
    KERNEL_FLAVOURS,
    LEVELS,
    MACHINES,
    MODULES,
    OPERSTATES,
    ROLES,
    SETTINGS,
    STATUSES,
    SYSTEMS,
    TRAFFIC,
    UNITS,
)
from orchestrator.report.public.sentences import page_words, words
from orchestrator.run_files import MOST_TABLE_BYTES, Folder

_REVIEWED = (
    BUILD_WORDS
    | COUNTER_WORDS
    | ENDED
    | HOW
    | INTERFACE_KINDS
    | KERNEL_FLAVOURS
    | LEVELS
    | MACHINES
    | MODULES
    | OPERSTATES
    | ROLES
    | SETTINGS
    | STATUSES
    | SYSTEMS
    | TRAFFIC
    | UNITS
)
_LEAST_CHARACTERS = 3
_FIGURES = re.compile(r"[\d.,:+\-−\s]+")
_DRAWN = frozenset(
    {
        "class",
        "id",
        "style",
        "d",
        "transform",
        "role",
        "aria-roledescription",
        "xmlns",
        "viewbox",
        "rel",
        "fill",
        "stroke",
        "font-family",
        "font-size",
        "font-weight",
        "text-anchor",
        "type",
        "scope",
        "charset",
        "http-equiv",
        "content",
        "name",
        "for",
        "tabindex",
    }
)
# What a picture needs: no text, no time, nothing of who made it.
_PICTURE_CHUNKS = frozenset({b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"pHYs", b"sBIT", b"IDAT", b"IEND"})
_PNG = b"\x89PNG\r\n\x1a\n"


def our_words() -> frozenset[str]:
    """Words that stand in a copy whatever the run was called, in small letters: they cannot be looked for."""
    return words() | page_words() | CHART_WORDS | frozenset(word.lower() for word in _REVIEWED)


def leaks(folder: Folder, originals: Iterable[tuple[str, str]]) -> list[str]:
    """The files of a copy, also those below it, in which something that was replaced can still be read."""
    ours = our_words()
    sought = {text.casefold() for _, text in originals if _can_be_sought(text, ours)}
    if not sought:
        return []
    found = re.compile(
        r"(?<![^\W_])(?:" + "|".join(re.escape(text) for text in sorted(sought, key=len, reverse=True)) + r")(?![^\W_])"
    )
    return [
        where
        for where, texts in _texts_of(folder)
        if any(found.search(form.casefold()) for text in texts for form in _forms(text))
    ]


def _can_be_sought(text: str, ours: frozenset[str]) -> bool:
    """Figures alone are in every table, and our own words on every page."""
    pieces = re.findall(r"[^\W\d_]+", text.lower())
    return len(text) >= _LEAST_CHARACTERS and not _FIGURES.fullmatch(text) and not set(pieces) <= ours


def _forms(text: str) -> set[str]:
    return {text, html.unescape(text), unquote(text), text.replace("\\/", "/").replace('\\"', '"')}


def _texts_of(folder: Folder) -> Iterator[tuple[str, list[str]]]:
    for name in folder.names():
        if folder.has_folder(name):
            yield from ((f"{name}/{where}", texts) for where, texts in _texts_of(folder.inner(name)))
        else:
            yield name, [name, *_contents(name, folder.read(name, MOST_TABLE_BYTES))]


def _contents(name: str, data: bytes) -> list[str]:
    if name.endswith(".png"):
        return [chunk.decode("latin-1") for kind, chunk in _chunks(data) if kind not in _PICTURE_CHUNKS]
    text = (gzip.decompress(data) if name.endswith(".gz") else data).decode("utf-8", "replace")
    if ".csv" in name:  # each field once, and figures not at all: tables are long
        return list(
            {
                field
                for row in csv.reader(io.StringIO(text, newline=""))
                for field in row
                if not _FIGURES.fullmatch(field)
            }
        )
    if name.endswith(".json"):
        return list(_strings(json.loads(text)))
    if name.endswith((".html", ".svg")):
        reader = _Reader()
        reader.feed(text)
        reader.close()
        return reader.texts
    return [text]


def _strings(value: Json) -> Iterator[str]:
    if isinstance(value, dict):
        yield from value
        for inner in value.values():
            yield from _strings(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _strings(inner)
    elif isinstance(value, str):
        yield value


class _Reader(HTMLParser):
    """What a page or a drawing says: its text, its comments, and its attributes but for those that only draw."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag
        self.texts += [value for name, value in attrs if value and name not in _DRAWN]

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002 - as the parser calls it
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("style", "script"):  # files of this package, the same in every report
            self.texts.append(data)

    def handle_comment(self, data: str) -> None:
        self.texts.append(data)


def bare_picture(data: bytes) -> bytes:
    """A PNG without what is written beside the picture."""
    return _PNG + b"".join(whole for kind, whole in _whole_chunks(data) if kind in _PICTURE_CHUNKS)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    return ((kind, whole[8:-4]) for kind, whole in _whole_chunks(data))


def _whole_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(_PNG)
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        yield data[at + 4 : at + 8], data[at : at + 12 + length]
        at += 12 + length
