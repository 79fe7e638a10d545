"""Where a journal's lines of intervals stand, so that a long trial is read a line at a time and never held whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from orchestrator.decide.interval_lines import INTERVALS, IntervalLine, Place, line_from
from orchestrator.decide.journal_lines import MOST_BYTES, Entry, Line, Walk
from orchestrator.run_files import Folder
from orchestrator.stored import loads

_BODY, _SERIES = ',"body":', ',"series":['


class End(NamedTuple):
    """One end of a link."""

    link: str
    end: str  # first | second
    host: str


@dataclass
class IntervalIndex:
    """The lines of each counted window, by end, as places in the journal's file."""

    journal: Path
    places: dict[Place, dict[End, list[int]]] = field(default_factory=dict)

    def note(self, line: Line) -> None:
        """Take in a line; one whose head is damaged is passed over."""
        begin = line.text.find(_BODY) + len(_BODY)
        end = line.text.find(_SERIES, begin)
        try:
            head = loads(line.text[begin:end] + "}")
            place = Place(int(head["position"]), int(head["attempt"]), int(head["window"]))
            of_end = End(str(head["link"]), str(head["end"]), str(head["host"]))
        except (ValueError, KeyError, TypeError):
            return
        self.places.setdefault(place, {}).setdefault(of_end, []).append(line.byte)

    def lines(self, place: Place, end: End) -> Iterator[IntervalLine]:
        """The lines of one end in a counted window, in their order; a damaged one is passed over."""
        with Folder(self.journal.parent).open_read(self.journal.name, MOST_BYTES) as file:
            for byte in self.places.get(place, {}).get(end, ()):
                file.seek(byte)
                try:
                    yield line_from(loads(file.readline().decode("ascii"))["body"])
                except (ValueError, KeyError, TypeError):
                    continue


def read_story(journal: Path) -> tuple[list[Entry], IntervalIndex]:
    """(the journal's entries but the intervals, where those stand); a torn tail is left out."""
    index = IntervalIndex(journal)
    entries: list[Entry] = []
    with Folder(journal.parent).open_read(journal.name, MOST_BYTES) as file:
        for line in Walk(file):
            if line.kind == INTERVALS:
                index.note(line)
            else:
                entries.append(line.entry())
    return entries, index
