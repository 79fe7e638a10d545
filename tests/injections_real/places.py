"""Where an error of ours can be put: statements of the controller and of the helper, read from the code itself."""

from __future__ import annotations

import ast
import functools
import importlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import orchestrator
from orchestrator.onhost.service import jobs

ROOT = Path(orchestrator.__file__).parent
# What a run goes through in the controller; the pure rooms below `decide.machine` are entered from it.
CONTROLLER = (
    *sorted((ROOT / "act").glob("*.py")),
    ROOT / "cli/running.py",
    ROOT / "cli/one_run.py",
    ROOT / "cli/progress.py",
    ROOT / "cli/last_words.py",
    *sorted((ROOT / "decide").rglob("*.py")),
    *sorted((ROOT / "results").rglob("*.py")),
    *sorted((ROOT / "report").glob("*.py")),
    *sorted((ROOT / "report/page").glob("*.py")),
)
# What watches over a host after the controller has gone.
WATCHDOG = ("watchdog", "restoring", "lease", "renewed", "record", "probation")
LOOP = ("service.helper", "service.job_process", "safety.lease_watch", "service.frames", "service.messages")
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Place:
    """A statement, before which the error is raised. `kind`: begins (a function's first) | await | within."""

    module: str  # orchestrator.act.runner
    line: int
    function: str
    kind: str
    asynchronous: bool = False

    @property
    def room(self) -> str:
        """act, cli, decide, results, report or onhost."""
        return self.module.split(".")[1]

    def __str__(self) -> str:
        return f"{self.module.removeprefix('orchestrator.')}:{self.line} ({self.function}, {self.kind})"


def module_of(path: Path) -> str:
    """The dotted name of a file of ours."""
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def path_of(module: str) -> Path:
    """The file of a module of ours."""
    path = ROOT.parent.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


@functools.cache
def places_of(module: str) -> tuple[Place, ...]:
    """Every statement inside a function that has a line of its own, so that another can stand before it."""
    source = path_of(module).read_text(encoding="utf-8")
    lines = source.splitlines()
    found: list[Place] = []
    for function in ast.walk(ast.parse(source)):
        if not isinstance(function, Function):
            continue
        body = function.body[1:] if ast.get_docstring(function, clean=False) is not None else function.body
        for statement in _statements(body):
            if not _can_be_preceded(statement, lines):
                continue
            kind = "begins" if statement is body[0] else "await" if _awaits(statement) else "within"
            found.append(
                Place(module, statement.lineno, function.name, kind, isinstance(function, ast.AsyncFunctionDef))
            )
    return tuple(found)


def _statements(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    for statement in body:
        yield statement
        if not isinstance(statement, Function | ast.ClassDef):
            for part in ("body", "orelse", "finalbody"):
                yield from _statements(getattr(statement, part, []))
            for handler in getattr(statement, "handlers", []):
                yield from _statements(handler.body)


def _can_be_preceded(statement: ast.stmt, lines: list[str]) -> bool:
    start = lines[statement.lineno - 1]
    own_line = not start[: statement.col_offset].strip() and not start.lstrip().startswith("elif")
    return own_line and not isinstance(statement, Function | ast.ClassDef | ast.Global | ast.Nonlocal)


def _awaits(statement: ast.stmt) -> bool:
    """In its own line, not in the statements that it holds."""
    if isinstance(statement, ast.AsyncWith | ast.AsyncFor):
        return True
    own = [one for one in ast.iter_child_nodes(statement) if not isinstance(one, ast.stmt | ast.excepthandler)]
    return any(isinstance(node, ast.Await) for one in own for node in ast.walk(one))


def of_controller() -> list[Place]:
    """Every function's beginning and every await of what drives a run."""
    return [place for path in CONTROLLER for place in places_of(module_of(path)) if place.kind != "within"]


def of_verb(verb: str) -> list[Place]:
    """The statements of a verb's own function."""
    call = jobs.VERBS[verb]
    function = getattr(importlib.import_module(f"orchestrator.onhost.{call.room}"), call.function)
    return [place for place in places_of(function.__module__) if place.function == function.__name__]


def of_loop() -> list[Place]:
    """What the helper's own process does; `lease.listen` and `clock` are answered there."""
    return [place for name in LOOP for place in places_of(f"orchestrator.onhost.{name}")]


def of_watchdog() -> list[Place]:
    """What the watchdog does, and what it restores with."""
    return [place for name in WATCHDOG for place in places_of(f"orchestrator.onhost.safety.{name}")]
