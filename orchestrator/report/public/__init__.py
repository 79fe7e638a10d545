"""A run's folder for publication, built from what is known to be harmless: tables, records, plan and report.

The journal and the log are left out: they hold everything, in free text. The rest is written anew: numbers stay, our
own sentences and words stay, what has the shape of a figure stays; everything else becomes a stand-in or is not there.
The report is made from the copy. At the end what was written is searched for everything that was replaced.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.faults import BugError, PlanError
from orchestrator.planning.document import Json
from orchestrator.planning.reader import read
from orchestrator.report import making
from orchestrator.report.public.fields import Fields
from orchestrator.report.public.look_again import bare_picture, leaks, our_words
from orchestrator.report.public.names import names_of
from orchestrator.report.public.plan_text import PlanText, settings_of
from orchestrator.report.public.records import Records
from orchestrator.report.public.scrubber import Scrubber
from orchestrator.report.public.tables import Tables
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder, open_run
from orchestrator.run_files import MOST_TABLE_BYTES, Folder
from orchestrator.stored import made_of

SUMS = "SHA256SUMS"
PLAN = "plan.yaml"
SURVEYS = ("survey-before.json", "survey-after.json")
_WRITTEN = frozenset({"run.json", PLAN, *SURVEYS, *columns.TABLES})
_MADE_ANEW = frozenset({"report.html", "report.md", "columns.json", "charts"})


@dataclass(frozen=True)
class Publication:
    """What was replaced (kind -> how many), what was left out, and what a person should still read, with the reason.

    `words_of_ours` are names of the run that are words of our texts as well: where they are names they were replaced,
    but the second look cannot search for them.
    """

    replaced: dict[str, int]
    left_out: tuple[str, ...]
    to_read: tuple[str, ...]
    words_of_ours: tuple[str, ...]


def publish(run: Path, out: Path | None, *, inside: Path | None = None) -> tuple[Publication, list[Path]]:
    """Write the public copy of the run's folder with its report and checksums; (what was done, the files written).

    `out` must be new or empty; by default it lies beside the run, or in `inside`, named by stand-ins. PlanError when it
    holds something; BugError when something that was replaced is still there: then nothing of the copy stays.
    """
    with made_of(run):
        copying = _Copying(open_run(run))
    target = Folder(out or (inside or run.resolve().parent) / copying.name())
    if target.path.exists() and target.names():
        raise PlanError("not_empty", f"{target.name} is not empty", next_step="name another folder with --out")
    target.make()
    try:
        with made_of(run):
            said = copying.write(target)
        paths = making.write(target.path, None)
        _bare_pictures(target)
        leaking = leaks(target, copying.scrubber.stand_ins.originals)
    except BaseException:
        _empty(target)
        raise
    if leaking:
        _empty(target)
        raise BugError(
            "public_leak",
            f"{leaking[0]} still named something that was to be replaced; the public copy was removed",
            path=str(target.at(leaking[0])),
            next_step="please report this",
        )
    return said, [*paths, _write_sums(target)]


class _Copying:
    """One run on its way into its copy."""

    def __init__(self, folder: RunFolder) -> None:
        self._folder = folder
        self._run: dict[str, Any] = folder.record()
        self._surveys = {name: folder.survey(name) for name in SURVEYS if folder.has(name)}
        self._plan: Json = read(folder.text(PLAN)).data if folder.has(PLAN) else None
        self.scrubber = Scrubber(names_of(self._run, list(self._surveys.values()), self._plan))
        self._fields = Fields(self.scrubber)
        self._varied = settings_of(self._plan)

    def name(self) -> str:
        """What the copy's folder is called."""
        return f"{self._fields.run_id(str(self._run.get('run_id', '')))}-public"

    def write(self, target: Folder) -> Publication:
        """Write all but the report, which is made from this."""
        records, tables = Records(self._fields, self._varied), Tables(self._fields, self._varied)
        if self._folder.has(PLAN):
            target.write(PLAN, PlanText(self._fields).written(self._plan))
        for name, survey in self._surveys.items():
            target.write(name, _json_text(records.survey(survey)))
        for name in columns.TABLES:
            if self._folder.has(name):
                target.write(name, tables.judged(self._folder, name))
        run = records.run(self._run)
        said = Publication(
            self.scrubber.stand_ins.replaced,
            tuple(self._left_out(tables)),
            tuple(self._to_read(run)),
            tuple(name for name in self.scrubber.names.all() if name.lower() in our_words()),
        )
        public = {"replaced": said.replaced, "left_out": said.left_out, "to_read": said.to_read}
        target.write("run.json", _json_text({**run, "public": public}))
        return said

    def _left_out(self, tables: Tables) -> Iterator[str]:
        there = set(self._folder.names())
        yield from (name for name in ("journal.jsonl", "log.txt") if name in there)
        others = len(there - _WRITTEN - _MADE_ANEW - {"journal.jsonl", "log.txt", SUMS})
        if others:
            yield f"{others} files that no run writes"
        if tables.rows_left_out:
            yield f"{tables.rows_left_out} rows that are torn, or have no number where one belongs"
        yield "purpose, bench, binds, users, keys, programs, serial numbers and ids of machines"

    def _to_read(self, run: dict[str, Any]) -> Iterator[str]:
        yield "report.html: what was measured, on which day and with which kernel and driver, is what you publish"
        if self._folder.has(PLAN):
            yield "plan.yaml: how the links and factors are laid out can tell your network from another"
        if run.get("notes") or run.get("refused") or run.get("stop"):
            yield "notes and reasons: sentences of ours, whose figures no program can judge"


def _json_text(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def _bare_pictures(target: Folder) -> None:
    for folder in (target, *(target.inner(name) for name in target.names() if target.has_folder(name))):
        for name in folder.names():
            if name.endswith(".png"):
                folder.write(name, bare_picture(folder.read(name)))


def _empty(folder: Folder) -> None:
    for name in folder.names():
        if folder.has_folder(name):
            _empty(folder.inner(name))
        else:
            folder.remove(name)


def _write_sums(target: Folder) -> Path:
    """Checksums of all files, in the form that `sha256sum --check` reads."""
    lines = [f"{hashlib.sha256(data).hexdigest()}  {where}\n" for where, data in sorted(_files(target))]
    target.write(SUMS, "".join(lines))
    return target.at(SUMS)


def _files(folder: Folder) -> Iterator[tuple[str, bytes]]:
    for name in folder.names():
        if folder.has_folder(name):
            yield from ((f"{name}/{where}", data) for where, data in _files(folder.inner(name)))
        else:
            yield name, folder.read(name, MOST_TABLE_BYTES)
