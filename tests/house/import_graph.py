"""Which module imports which, as a graph over the package; by full names, a package standing for its `__init__`."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

from tests.testing.source import ROOT, files, text

Graph = Mapping[str, frozenset[str]]


def module_of(path: Path, root: Path = ROOT) -> str:
    """A file's full name as a module."""
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def whole_package() -> dict[str, ast.Module]:
    """Every module of the package, parsed."""
    return {module_of(path): ast.parse(text(path), filename=str(path)) for path in files()}


def graph(modules: Mapping[str, ast.Module], *, put_off: bool) -> Graph:
    """The imports among `modules`; with `put_off` also those that stand in functions or name a module as text."""
    return {
        name: frozenset(to for statement in _statements(tree, put_off) for to in _named(statement, modules)) - {name}
        for name, tree in modules.items()
    }


def _statements(tree: ast.AST, put_off: bool) -> Iterator[ast.AST]:
    """All of a tree but what is there for types alone, and but functions' bodies unless these are asked for."""
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, ast.If) and ast.unparse(child.test).endswith("TYPE_CHECKING"):
            continue
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) and not put_off:
            continue
        yield child
        yield from _statements(child, put_off)


def _named(node: ast.AST, modules: Mapping[str, ast.Module]) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names if alias.name in modules)
    elif isinstance(node, ast.ImportFrom) and node.module in modules:
        for alias in node.names:
            whole = f"{node.module}.{alias.name}"
            yield whole if whole in modules else str(node.module)
    elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
        yield from (one.value for one in node.args if isinstance(one, ast.Constant) and one.value in modules)


def reached(imports: Graph, roots: set[str]) -> set[str]:
    """All that is imported when `roots` are, the packages around every module with it."""
    found: set[str] = set()
    waiting = set(roots)
    while waiting:
        name = waiting.pop()
        found.add(name)
        around = name.rpartition(".")[0]
        waiting |= (imports[name] | ({around} & imports.keys())) - found
    return found


def circles(imports: Graph) -> list[list[str]]:
    """The groups of modules each of which reaches all others of its group: none in a graph without a circle."""
    reach = {name: _beyond(imports, name) for name in imports}
    groups = {
        tuple(sorted(other for other in reach[name] if name in reach[other])) for name in imports if name in reach[name]
    }
    return sorted(list(group) for group in groups)


def _beyond(imports: Graph, start: str) -> set[str]:
    """What can be reached from a module by one import or more."""
    found: set[str] = set()
    waiting = set(imports[start])
    while waiting:
        name = waiting.pop()
        found.add(name)
        waiting |= imports[name] - found
    return found
