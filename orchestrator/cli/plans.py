"""Plan files from the command line: read, bound and validated; every problem of every file is told in one go."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import Plan, PlanProblems, load

MOST_PLAN_BYTES = 1 << 20


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
    problems: list[PlanProblems] = []
    for path in plan_files(paths):
        text = _read(path)
        bound = {**_earlier_binds(path), **binds}
        try:
            loaded.append(LoadedPlan(path, text, load(text, name=str(path), binds=bound, catalogue=CATALOGUE), bound))
        except PlanProblems as error:
            problems.append(error)
    if problems:
        raise problems[0] if len(problems) == 1 else PlanProblems([p for error in problems for p in error.problems])
    return loaded


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_PLAN_BYTES:
            raise PlanError("plan_size", f"{path}: larger than {MOST_PLAN_BYTES} bytes, which no plan is")
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise PlanError("plan_text", f"{path}: not UTF-8 text (byte {error.start})") from error
    except OSError as error:
        raise PlanError("plan_read", f"{path}: cannot be read: {error.strerror}") from error


def _earlier_binds(path: Path) -> dict[str, str]:
    """What was bound when the run in this folder was made, if it is a run's folder."""
    run_json = path.parent / "run.json"
    if path.name != "plan.yaml" or not run_json.is_file():
        return {}
    found = json.loads(run_json.read_text()).get("binds", {})
    return {str(name): str(value) for name, value in found.items()}
