"""Plan files from the command line: read, bound and validated; every problem of every file is told in one go."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import MOST_BYTES, Plan, PlanProblems, Problem, decode, load, unused_binds
from orchestrator.planning.old_words import in_new_words
from orchestrator.results.suite import PLANS, SUITE, is_suite, open_suite
from orchestrator.run_files import Folder, has_file, read_file


@dataclass(frozen=True)
class LoadedPlan:
    """A plan that can be run, where it came from, and what was bound in it."""

    path: Path
    text: str
    plan: Plan
    binds: dict[str, str]
    made_by: str = ""  # the run, or the suite's entry, in whose folder it lies; "" for a plan of the user's own
    made_in: Path | None = None  # that run's or suite's folder
    made_with: dict[str, str] = field(default_factory=dict)  # what was bound in it there
    in_old_words: bool = False  # that folder's plan is; `text` has today's


@dataclass(frozen=True)
class PlanSource:
    """A plan's file, and what was bound in it before: by an earlier run, or by a suite."""

    path: Path
    binds: dict[str, str]


def plan_sources(paths: Iterable[Path]) -> list[PlanSource]:
    """The plan files meant: a file itself, a folder's plans, an earlier run's plan.yaml, the plans of a suite."""
    sources: list[PlanSource] = []
    for path in paths:
        if not path.exists():
            raise PlanError("plan_missing", f"{path}: no such file or folder")
        if not path.is_dir():
            sources.append(PlanSource(path, _earlier_binds(path)))
        elif is_suite(path):
            sources += _of_suite(path)
        else:
            own = path / "plan.yaml"
            found = [own] if has_file(own) else _plans_in(path)
            if not found:
                raise PlanError("plan_missing", f"{path}: holds no plan (*.yaml)")
            sources += [PlanSource(file, _earlier_binds(file)) for file in found]
    return sources


def _of_suite(path: Path) -> list[PlanSource]:
    suite = open_suite(path)
    sources = []
    for entry in suite.entries:
        file = suite.plan_of(entry)
        if file is None:
            raise PlanError("plan_missing", f"{path}: the plan '{entry.plan}' of this suite is not there any more")
        sources.append(PlanSource(file, {**_earlier_binds(file), **entry.binds}))
    return sources


def means_suite(path: Path) -> bool:
    """Whether a folder of plans, or an earlier suite, is meant: not a plan, and not an earlier run."""
    return path.is_dir() and not has_file(path / "plan.yaml")


def load_plans(paths: Iterable[Path], binds: dict[str, str]) -> list[LoadedPlan]:
    """All plans, or PlanProblems with the problems of all of them."""
    return load_sources(plan_sources(paths), binds)


def load_sources(sources: Iterable[PlanSource], binds: dict[str, str]) -> list[LoadedPlan]:
    """The plans of these files, or PlanProblems with the problems of all of them."""
    loaded: list[LoadedPlan] = []
    problems: list[Problem] = []
    used: set[str] = set()
    for source in sources:
        path, bound = source.path, {**source.binds, **binds}
        try:
            kept, maker = _read(path), _maker(path)
            text = in_new_words(kept, bound) if maker[0] else kept  # a plan of an earlier run is no mistake of today's
            plan = load(text, name=str(path), binds=bound, catalogue=CATALOGUE, used=used)
            loaded.append(LoadedPlan(path, text, plan, bound, *maker, source.binds, in_old_words=text != kept))
        except PlanProblems as error:
            problems.extend(error.problems)
    problems.extend(unused_binds(binds, used))
    if problems:
        raise PlanProblems(problems)
    return loaded


def _read(path: Path) -> str:
    """The plan's text; no more is read than a plan may have."""
    # Of a run's or a suite's folder nothing is followed; a plan that the user names may be a link, or a pipe.
    if has_file(path.parent / "run.json") or has_file(path.parent.parent / SUITE):
        return decode(read_file(path, MOST_BYTES + 1), str(path))
    try:
        with path.open("rb") as file:
            return decode(file.read(MOST_BYTES + 1), str(path))
    except OSError as error:
        raise PlanError("plan_read", f"{path}: cannot be read: {error.strerror}") from error


def _earlier_binds(path: Path) -> dict[str, str]:
    """What was bound when the run in this folder was made, if it is a run's folder."""
    folder = Folder(path.parent)
    if path.name != "plan.yaml" or not folder.has("run.json"):
        return {}
    run = folder.json("run.json")
    found = run.get("binds") if isinstance(run, dict) else None
    return {str(name): str(value) for name, value in found.items()} if isinstance(found, dict) else {}


def _maker(path: Path) -> tuple[str, Path | None]:
    """What a run's or a suite's folder was marked with when it was made, and that folder; "" and None otherwise."""
    folder = Folder(path.parent)
    if path.name == "plan.yaml" and folder.has("run.json"):
        run = folder.json("run.json")
        return str(run.get("run_id") or "?") if isinstance(run, dict) else "?", path.parent
    suite = path.parent.parent
    return (mark_of(suite, path.name), suite) if path.parent.name == PLANS and Folder(suite).has(SUITE) else ("", None)


def mark_of(suite: Path, file: str) -> str:
    """What a plan in a suite's folder is marked with."""
    return f"{suite.resolve().name}.{file}"


def _plans_in(folder: Path) -> list[Path]:
    return [folder / name for name in Folder(folder).names() if name.endswith((".yaml", ".yml"))]
