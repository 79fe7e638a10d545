"""Lines in a boot file, for one start: a clock of the boot configuration, parameters of the kernel."""

from __future__ import annotations

import shlex
from typing import List, Optional, TypedDict, cast

from orchestrator.onhost.at_start.boot_files import content_of
from orchestrator.onhost.at_start.managed_lines import BLOCK, FORMS, WORDS, cannot_have_words, with_lines
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings.at_start import AtStart, path_problem
from orchestrator.onhost.settings.base import FAILED
from orchestrator.onhost.settings.command import filled, problem_with_arguments
from orchestrator.onhost.settings.levels import shown, unknown_key

COMMAND_LINE = "command-line"
_KEYS = {"level", "file", "form", "effect", "check"}
_MOST_LINES, _MOST_CHARACTERS = 32, 300
_TIMEOUT_S = 30.0
_CMDLINE = "/proc/cmdline"


class _LinesAlways(TypedDict):
    level: List[str]
    file: str


class Lines(_LinesAlways, total=False):
    """Lines of a boot file, and what shows that they have an effect."""

    form: str
    effect: str
    check: List[str]


class BootLines(AtStart[Lines]):
    """The host is started with these lines in its boot file; the start itself restores the file.

    In effect when the start found them there and, where the plan asks for it, the kernel's command line holds each of
    them (`effect: command-line`), or the program `check` ends with status 0.
    """

    name = "boot-lines"
    unit = ""
    doc = "Lines in a boot file (file:), for one start; the host is restarted for it."
    example = '{file: /boot/parameters, levels: [[], ["first=1"]]}'
    domain_text = "a list of lines, or one line as text; [] for the file as found"

    def problem_with(self, level: object) -> str:
        """Why these can be lines of no boot file."""
        if not isinstance(level, dict) or "level" not in level:
            return "boot-lines has a file and a level"
        unknown = unknown_key(level, _KEYS, "boot-lines")
        if unknown:
            return unknown
        if level.get("form") not in (None, "", *FORMS):
            return f"form is {' or '.join(FORMS)}"
        if level.get("effect") not in (None, "", COMMAND_LINE):
            return f"effect is {COMMAND_LINE}, or is left out"
        if level.get("check") and problem_with_arguments(level["check"]):
            return f"check {problem_with_arguments(level['check'])}"
        return path_problem(level.get("file")) or _lines_problem(level["level"], level.get("form") or BLOCK)

    def _parsed(self, level: object) -> Lines:
        problem = self.problem_with(level)
        if problem:
            raise ValueError(problem)
        return _lines(level)

    def _path(self, level: object) -> str:
        return _lines(level)["file"]

    def _wanted(self, level: object, original: bytes) -> bytes:
        lines = _lines(level)
        return with_lines(original, lines["level"], lines.get("form") or BLOCK)

    def _cannot(self, target: str, level: object) -> str:
        problem = super()._cannot(target, level)
        if problem or _lines(level).get("form") != WORDS:
            return problem
        why = cannot_have_words(content_of(self._original(self._path(level))))
        return f"{self._path(level)}: {why}" if why else ""

    def _current(self, target: str, level: object) -> Optional[List[str]]:
        """The lines in effect, as a list; None when something else is."""
        path = self._path(level)
        original = content_of(self._original(path))
        found = self._kernel.next_start().started_with(path)
        began = original if found is None else found
        if began != self._wanted(level, original):
            return None
        missing = self._missing(_lines(level))
        return None if missing else _lines(level)["level"]

    def _matches(self, level: object, seen: object) -> bool:
        return seen == _lines(level)["level"]

    def _missing(self, level: Lines) -> str:
        """What shows that the lines, although the start found them, have no effect."""
        if level.get("effect") == COMMAND_LINE:
            words = self._kernel.read_text(_CMDLINE).split()
            lacking = [word for line in level["level"] for word in line.split() if word not in words]
            if lacking:
                return f"the kernel's command line lacks {' '.join(lacking)}"
        if level.get("check") and level["level"]:
            outcome = self._kernel.run_program(filled(level["check"], " ".join(level["level"])), _TIMEOUT_S)
            if outcome.too_late or outcome.too_much:
                raise Refusal(FAILED, f"{level['check'][0]} did not end as a check has to, and was ended")
            if outcome.status:
                return f"{level['check'][0]} ended with status {outcome.status}"
        return ""

    def _shown(self, level: object) -> str:
        return text_of(level["level"]) if isinstance(level, dict) else str(level)

    def _kept(self, target: str, level: object) -> str:
        given = _lines(level)
        if not given["level"] or given.get("form") == WORDS:
            return ""
        lines = " ".join(shlex.quote(line) for line in given["level"])
        return f"printf '%s\\n' {lines} >>{shlex.quote(given['file'])}"


def _lines(level: object) -> Lines:
    """A level that `problem_with` has seen."""
    assert isinstance(level, dict), "problem_with has seen it"
    return cast(Lines, level)


def text_of(lines: List[str]) -> str:
    """Lines as one text: with a semicolon between them, `none` for the file as found."""
    return "; ".join(lines) or "none"


def _lines_problem(lines: object, form: str) -> str:
    if not isinstance(lines, list) or len(lines) > _MOST_LINES:
        return f"a level of boot-lines is a list of at most {_MOST_LINES} lines"
    for line in lines:
        if not isinstance(line, str) or not line.strip() or line != line.strip() or len(line) > _MOST_CHARACTERS:
            return f"a line is text of 1 to {_MOST_CHARACTERS} characters without space around it"
        if not line.isascii() or not line.isprintable():
            return f"{shown(line)} is not one line of plain ASCII characters"
        if form == WORDS and line.startswith("#"):
            return "a word of a boot file of one line cannot begin with #"
    return ""
