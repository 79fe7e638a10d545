"""Plan files from the command line: read, bound and validated; every problem of every file is told in one go."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import MOST_BYTES, Plan, PlanProblems, Problem, decode, load, unused_binds


@dataclass(frozen=True)
class LoadedPlan:
    """A plan that can be run, where it came from, and what was bound in it."""

    path: Path
    text: str
    plan: Plan
    binds: dict[str, str]


def plan_files(paths: Iterable[Path]) -> list[Path]:
    """The plan files meant: a file itself, a suite's folder, or an earlier run's folder (its plan.yaml)."""
    files: list[Path] = []
    for path in paths:
        if not path.exists():
            raise PlanError("plan_missing", f"{path}: no such file or folder")
        if path.is_dir():
            own = path / "plan.yaml"
            found = [own] if own.is_file() else sorted([*path.glob("*.yaml"), *path.glob("*.yml")])
            if not found:
                raise PlanError("plan_missing", f"{path}: holds no plan (*.yaml)")
            files.extend(found)
        else:
            files.append(path)
    return files


def load_plans(paths: Iterable[Path], binds: dict[str, str]) -> list[LoadedPlan]:
    """All plans, or PlanProblems with the problems of all of them."""
    loaded: list[LoadedPlan] = []
    problems: list[Problem] = []
    used: set[str] = set()
    for path in plan_files(paths):
        bound = {**_earlier_binds(path), **binds}
        try:
            text = _read(path)
            plan = load(text, name=str(path), binds=bound, catalogue=CATALOGUE, used=used)
            loaded.append(LoadedPlan(path, text, plan, bound))
        except PlanProblems as error:
            problems.extend(error.problems)
    problems.extend(unused_binds(binds, used))
    if problems:
        raise PlanProblems(problems)
    return loaded


def _read(path: Path) -> str:
    """The plan's text; no more is read than a plan may have."""
    try:
        with path.open("rb") as file:
            return decode(file.read(MOST_BYTES + 1), str(path))
    except OSError as error:
        raise PlanError("plan_read", f"{path}: cannot be read: {error.strerror}") from error


def _earlier_binds(path: Path) -> dict[str, str]:
    """What was bound when the run in this folder was made, if it is a run's folder."""
    run_json = path.parent / "run.json"
    if path.name != "plan.yaml" or not run_json.is_file():
        return {}
    found = json.loads(run_json.read_text()).get("binds", {})
    return {str(name): str(value) for name, value in found.items()}
