"""Judging texts and fields: what is known to be harmless stays, all else becomes a stand-in. Pure.

A running text is compared with our own sentences; what fills their holes, and every text that is none of them, is taken
word by word: a word of our texts, a figure with its unit, a name that the run knows (as its stand-in), or a stand-in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from orchestrator.report.public import sentences
from orchestrator.report.public.names import Names
from orchestrator.report.public.reviewed import (
    GLUED_UNITS,
    KERNEL_INTERFACE,
    LEVELS,
    SETTINGS,
    STATUSES,
    TRAFFIC,
    UNITS,
)
from orchestrator.report.public.stand_ins import StandIns, as_address, as_mac

MOST_CHARACTERS = 4000  # of one text; what is longer is no sentence of ours
_DEEPEST = 4
_MOST_CLAUSES = 40
_CLAUSE = re.compile(r"(.*?)(; |: )", re.DOTALL)
_PIECE = re.compile(r"(\s+)")
_EDGES = re.compile(r"^([(\[{\"'`<]*)(.*?)([)\]}\"'`>]*[,;:.!?]*[)\]}\"'`>]*)$", re.DOTALL)
_FIGURE = r"[-+−]?\d{1,15}(?:\.\d{1,15})?"
_NUMBER = re.compile(_FIGURE)
_SMALL = re.compile(r"[-+−]?\d{1,4}(?:\.\d{1,3})?")
# A letter after many digits is as likely the end of a serial number.
_WITH_UNIT = re.compile(rf"{_FIGURE}(?=[^\d.]{{2}}|[%µ]){GLUED_UNITS}|\d{{1,4}}(?:\.\d{{1,3}})?{GLUED_UNITS}")
_LEVEL = re.compile(rf"\d{{1,5}}(?:\.\d{{1,6}})?|{_WITH_UNIT.pattern}")
_WORD = re.compile(r"[^\W\d_]+(?:['-][^\W\d_]+)*")
_CODE = re.compile(r"[a-z]+(?:_[a-z]+)+")
_BOUNDS = re.compile(r"([=:/,+…]|\.\.\.| - |->)")
_PATH_STARTS = ("/", "~", "\\")
# Addresses that say nothing about anybody: loopback, unspecified, broadcast.
_SAYS_NOTHING = frozenset({"127.0.0.1", "::1", "0.0.0.0", "::", "255.255.255.255"})  # noqa: S104 - read, not bound to
_OWN = SETTINGS | TRAFFIC | LEVELS | STATUSES


class Scrubber:
    """Judges texts with the names that one run knows."""

    def __init__(self, names: Names) -> None:
        self.names = names
        self.stand_ins = StandIns(names.all())
        self._known: dict[str, str] = {}
        for kind, name in names.pairs():  # in the run's order, so that host-1 is its first host
            self.stand_ins.give(kind, name)

    # -- names and marks

    def name(self, kind: str, text: str) -> str:
        """The stand-in of a name; nothing stays nothing."""
        return self.stand_ins.give(kind, text) if text else ""

    def mac(self, text: str) -> str:
        """A stand-in for a MAC; the one that says that there is none stays."""
        return text if not text or set(as_mac(text)) == {"0"} else self.stand_ins.give("MAC", text)

    def address(self, text: str) -> str:
        """A stand-in for an IP address of the same kind; one that every host has stays."""
        if not text or text in _SAYS_NOTHING:
            return text
        found = as_address(text)
        return self.stand_ins.give(f"IPv{found.version} address" if found else "address", text)

    def of(self, allowed: Iterable[str], text: str, kind: str = "word") -> str:
        """The text when it is one of those allowed, otherwise a stand-in."""
        return text if not text or text in allowed else self.stand_ins.give(kind, text)

    def level(self, text: str) -> str:
        """A level of a factor: words of ours, each by itself, or a stand-in for the whole."""
        kind = self.names.kind_of(text)
        if kind:
            return self.stand_ins.give(kind, self.names.as_known(text))
        judged = [self._harmless(word) for word in text.split()]
        return " ".join(judged) if all(judged) else self.stand_ins.give("level", text)

    # -- running text

    def text(self, text: str) -> str:
        """A sentence, or several, without anything that is not known to be harmless."""
        if text not in self._known:
            self._known[text] = (
                self.stand_ins.give("text", text) if len(text) > MOST_CHARACTERS else self._sentence(text, 0)
            )
        return self._known[text]

    def _sentence(self, text: str, depth: int) -> str:
        """One or several sentences: what is none of ours is tried clause by clause, and then word by word."""
        if depth > _DEEPEST:
            return self._by_words(text)
        out, rest = [], text
        for _ in range(_MOST_CLAUSES):
            whole = self._ours(rest, depth)
            clause = _CLAUSE.match(rest) if whole is None else None
            if whole is not None or clause is None:
                break
            out += [self._ours(clause[1], depth) or self._by_words(clause[1], inside=depth > 0), clause[2]]
            rest = rest[clause.end() :]
        return "".join([*out, self._by_words(rest, inside=depth > 0) if whole is None else whole])

    def _ours(self, text: str, depth: int) -> str | None:
        """The text as one of our sentences, its holes judged; None when it is none."""
        parts = sentences.holes_of(text) if text.strip() else None
        if parts is None:
            return None
        return "".join(
            self._hole(part, parts[place + 1][0], depth) if hole else part for place, (part, hole) in enumerate(parts)
        )

    def _hole(self, part: str, after: str, depth: int) -> str:
        """What one of our sentences says at a place: its fixed words around a figure say what it is a figure of."""
        if _SMALL.fullmatch(part) or (_NUMBER.fullmatch(part) and _begins_with_unit(after)):
            return part
        return self._sentence(part, depth + 1)

    def _by_words(self, text: str, *, inside: bool = False) -> str:
        """`inside`: it fills a hole of a sentence of ours, where a small figure alone between words is one."""
        pieces = _PIECE.split(text)
        around = ["", "", *pieces, "", ""]
        return "".join(
            piece if not piece.strip() else self._piece(piece, around[place], around[place + 4], inside=inside)
            for place, piece in enumerate(pieces)
        )

    def _piece(self, piece: str, before_it: str, following: str, *, inside: bool) -> str:
        edges = _EDGES.match(piece)
        before, core, after = edges.groups() if edges else ("", piece, "")
        if not core:
            return piece if not re.search(r"\w", piece) and len(piece) < 4 else self.stand_ins.give("word", piece)
        if _NUMBER.fullmatch(core) and not after and _begins_with_unit(" " + following):
            return piece
        if inside and _SMALL.fullmatch(core) and not re.search(r"\d", before_it + following):
            return piece
        return before + (self._harmless(core) or self._replaced(core)) + after

    def _harmless(self, core: str) -> str:
        """The core of a piece as it may stay, with known names replaced; "" when it may not."""
        known = self._atom(core)
        if known or not _BOUNDS.search(core) or core.startswith(_PATH_STARTS):
            return known
        parts = _BOUNDS.split(core)
        judged = [
            part if _BOUNDS.fullmatch(part) else self._part(part, parts[:place]) for place, part in enumerate(parts)
        ]
        return "".join(judged) if all(judged) else ""

    def _part(self, part: str, before: list[str]) -> str:
        """One part of `mtu=9000` or `dome:eth1`; a number only as the level of a factor."""
        level = len(before) == 2 and before[1] == "=" and before[0].lower() in SETTINGS | TRAFFIC
        return part if level and _LEVEL.fullmatch(part) else self._atom(part)

    def _atom(self, core: str) -> str:
        kind = self.names.kind_of(core)
        if kind:
            return self.stand_ins.give(kind, self.names.as_known(core))
        if _WITH_UNIT.fullmatch(core) or core in UNITS or core.lower() in _OWN:
            return core
        if KERNEL_INTERFACE.fullmatch(core) or (_WORD.fullmatch(core) and self._our_word(core.lower())):
            return core
        return core if _CODE.fullmatch(core) and all(map(self._our_word, core.split("_"))) else ""

    def _our_word(self, word: str) -> bool:
        ours = sentences.words()
        return word in ours or all(part in ours for part in word.removesuffix("'s").split("-"))

    def _replaced(self, core: str) -> str:
        """The stand-in of what is not known to be harmless; its kind is told where it shows."""
        if as_mac(core):
            return self.mac(core)
        return self.address(core) if as_address(core) else self.stand_ins.give("word", core)


def _begins_with_unit(text: str) -> bool:
    """Whether what follows a figure is its unit: ` s within the window`, `% of`."""
    return bool(re.match(rf"(?:{GLUED_UNITS})(?![\w])", text)) or (
        text[:1] == " " and re.split(r"[\s,;.:)]", text.lstrip(), maxsplit=1)[0] in UNITS
    )
