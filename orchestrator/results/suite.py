"""A suite's folder as it is read: `suite.json` lists every plan, also those whose run never began.

The file may come from a stranger: of every path in it only the name is followed, inside the suite's own folder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.faults import PlanError
from orchestrator.results.folder import RunFolder
from orchestrator.run_files import Folder

SUITE = "suite.json"
PLANS = "plans"
SUITE_SCHEMA = 1
GREATEST_RUNS = 500


@dataclass(frozen=True)
class SuiteEntry:
    """One plan of a suite. A suite of an older linktrial has no `file`: its plans lie in the runs' folders."""

    plan: str
    run: str = ""  # its run's folder, "" before it begins
    exit: int | None = None  # of the last process that drove it, None while there was none that ended
    file: str = ""  # the plan's text, in PLANS
    binds: Mapping[str, str] = field(default_factory=dict)
    why: str = ""  # of an attempt that did not come as far as a run

    def as_dict(self) -> dict[str, Any]:
        """As it stands in suite.json."""
        return {
            "plan": self.plan,
            "run": self.run,
            "exit": self.exit,
            "file": self.file,
            "binds": dict(self.binds),
            "why": self.why,
        }


@dataclass(frozen=True)
class Suite:
    """A suite: its folder, its name, and its plans in their order."""

    path: Path
    name: str
    entries: tuple[SuiteEntry, ...]
    rehearse: bool = False  # every run stops after its rehearsal

    def as_dict(self) -> dict[str, Any]:
        """As it stands in suite.json."""
        return {
            "schema": SUITE_SCHEMA,
            "suite": self.name,
            "rehearse": self.rehearse,
            "runs": [entry.as_dict() for entry in self.entries],
        }

    def folder_of(self, entry: SuiteEntry) -> Path | None:
        """The folder of a plan's run; None when it never came so far."""
        return self.path / entry.run if entry.run and Folder(self.path).has_folder(entry.run) else None

    def plan_of(self, entry: SuiteEntry) -> Path | None:
        """The file with the plan's text, from the suite itself or else from its run; None when neither has it."""
        run = self.folder_of(entry)
        places = [(Folder(self.path).inner(PLANS), entry.file)] if entry.file else []
        places += [(Folder(run), "plan.yaml")] if run else []
        return next((folder.at(name) for folder, name in places if folder.has(name)), None)


def is_suite(folder: str | Path) -> bool:
    """Whether a suite's runs lie in this folder."""
    return RunFolder(Path(folder)).has(SUITE)


def open_suite(folder: str | Path) -> Suite:
    """The suite in this folder; PlanError when its suite.json is missing, broken, or of another linktrial."""
    place = RunFolder(Path(folder))
    found = place.json(SUITE)
    runs = found.get("runs") if isinstance(found, dict) else None
    if not isinstance(found, dict) or found.get("schema") != SUITE_SCHEMA or not isinstance(runs, list):
        raise PlanError(
            "suite_broken",
            f"{place.path / SUITE} is no suite of this linktrial",
            next_step="name a suite's folder, as `linktrial run FOLDER` prints it",
            path=str(place.path),
        )
    entries = tuple(_entry(entry) for entry in runs[:GREATEST_RUNS] if isinstance(entry, dict))
    return Suite(place.path, str(found.get("suite", "suite")), entries, found.get("rehearse") is True)


def _entry(found: Mapping[str, Any]) -> SuiteEntry:
    code, binds = found.get("exit"), found.get("binds")
    return SuiteEntry(
        str(found.get("plan", "")),
        _name(found.get("run")),
        code if type(code) is int else None,
        _name(found.get("file")),
        {str(name): str(value) for name, value in binds.items()} if isinstance(binds, dict) else {},
        str(found.get("why") or ""),
    )


def _name(found: Any) -> str:
    """Only a name is followed: a suite.json from elsewhere must not lead out of its folder."""
    name = Path(found).name if isinstance(found, str) else ""
    return "" if name in (".", "..") else name
