"""Stored references: runs kept by name, so that a new kernel or card can be compared when their folders are gone.

One JSON file per name, in `$XDG_DATA_HOME/linktrial/references` (`~/.local/share/...`). Adding a run to a name makes
its history longer, and so the knowledge of how far runs differ better.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path

from orchestrator.decide.version_1 import in_todays_names
from orchestrator.faults import PlanError
from orchestrator.results.comparison.run_summary import RunSummary, summary_from_dict
from orchestrator.run_files import write_file

REFERENCE_SCHEMA = 2
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_GREATEST_BYTES = 64 * 1024 * 1024


def references_folder() -> Path:
    """Where references are kept (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(base) / "linktrial" / "references"


def keep(name: str, runs: Sequence[RunSummary], folder: Path | None = None) -> tuple[Path, int]:
    """Add runs to a reference, new or not; (its file, how many runs it now holds). A run that it holds is replaced."""
    path = _path(name, folder)
    held = {run.run_id: run for run in load(name, folder)} if path.exists() else {}
    held |= {run.run_id: run for run in runs}
    path.parent.mkdir(parents=True, exist_ok=True)
    stored = {"schema": REFERENCE_SCHEMA, "name": name, "runs": [run.as_dict() for run in held.values()]}
    write_file(path, json.dumps(stored, indent=1))
    return path, len(held)


def load(name: str, folder: Path | None = None) -> list[RunSummary]:
    """The runs of a reference; PlanError when there is none, a newer linktrial wrote it, or it is broken."""
    path = _path(name, folder)
    if not path.is_file():
        raise PlanError(
            "no_reference",
            f"there is no reference {name!r} in {path.parent}",
            next_step=f"linktrial compare RUN... --keep {name}",
            known=known(folder),
        )
    if path.stat().st_size > _GREATEST_BYTES:
        raise PlanError("reference_broken", f"{path} is larger than the {_GREATEST_BYTES} bytes that are read")
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        schema, runs = stored["schema"], stored["runs"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise PlanError("reference_broken", f"{path} is not a stored reference: {error}") from error
    if schema not in (1, REFERENCE_SCHEMA) or not isinstance(runs, list):
        raise PlanError(
            "reference_schema",
            f"{path} has schema {schema}; this linktrial reads up to {REFERENCE_SCHEMA}",
            next_step="use a newer linktrial",
        )
    return [summary_from_dict(run if schema == REFERENCE_SCHEMA else in_todays_names(run)) for run in runs]


def known(folder: Path | None = None) -> list[str]:
    """The names that there are."""
    return sorted(path.stem for path in (folder or references_folder()).glob("*.json"))


def _path(name: str, folder: Path | None) -> Path:
    if not _NAME.fullmatch(name):
        raise PlanError("reference_name", f"{name!r} cannot name a reference: letters, digits, dot, dash, underscore")
    return (folder or references_folder()) / f"{name}.json"
