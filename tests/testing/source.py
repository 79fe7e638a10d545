"""The source of package and tests, read and parsed once for all the tests that look at it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
HOUSE = ROOT / "orchestrator"
SHIPPED = ("onhost", "wire", "metrics")  # the rooms that run on hosts


@cache
def files(*rooms: str) -> tuple[Path, ...]:
    """The source files of rooms of the package, all of them when none is named."""
    return tuple(sorted(path for room in rooms or ("",) for path in (HOUSE / room).rglob("*.py")))


def name_of(path: Path) -> str:
    """A file as the tests' lists show it: from the checkout, with slashes."""
    return path.relative_to(ROOT).as_posix()


@cache
def text(path: Path) -> str:
    """A file's source."""
    return path.read_text(encoding="utf-8")


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a file's syntax."""
    return tuple(ast.walk(ast.parse(text(path), filename=str(path))))


def imports(path: Path, root: Path = ROOT) -> Iterator[str]:
    """Every module that a file imports, wherever in it, by its full name; `root` is what full names begin at."""
    package = path.relative_to(root).with_suffix("").parts[:-1]
    for node in nodes(path):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) + 1 - node.level]) if node.level else ""
            module = ".".join(filter(None, [base, node.module]))
            yield from (f"{module}.{alias.name}" if module == "orchestrator" else module for alias in node.names)


def calls(path: Path) -> Iterator[tuple[ast.Call, str]]:
    """(call, the name called) of a file, such as `subprocess.run`."""
    for node in nodes(path):
        if isinstance(node, ast.Call):
            yield node, dotted(node.func)


def dotted(node: ast.expr) -> str:
    """A call's target as it is written, `?` for what is no name: `click.echo`, `?.write`."""
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else "?"
