"""No decision rests on a code that is in no list: a host's codes stand in words/host_codes.py, raised or compared."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from orchestrator.decide import machine
from orchestrator.decide.verdict import judge
from orchestrator.words.host_codes import ASKED_ANEW, CELL_IMPOSSIBLE, CODES, RUN_STOPS, SETTING_FAILS, codes_with
from tests.testing.source import files, name_of, nodes

DECIDING = ("decide", "act", "onhost")


def texts(node: ast.AST | None) -> set[str]:
    """The texts in an expression."""
    return (
        {one.value for one in ast.walk(node) if isinstance(one, ast.Constant) and isinstance(one.value, str)}
        if node
        else set()
    )


@cache
def constants() -> dict[str, set[str]]:
    """The texts in every name in capitals that a module of these rooms gives a value."""
    found: dict[str, set[str]] = {}
    for file in (one for room in DECIDING for one in files(room)):
        for node in nodes(file):
            if not isinstance(node, ast.Assign):
                continue
            (target, value) = node.targets[0], node.value
            if isinstance(target, ast.Name) and target.id.isupper():
                found.setdefault(target.id, set()).update(texts(value))
            elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                for name, one in zip(target.elts, value.elts, strict=False):
                    if isinstance(name, ast.Name) and name.id.isupper():
                        found.setdefault(name.id, set()).update(texts(one))
    return found


def said(node: ast.AST) -> set[str]:
    """The codes that an expression may stand for: its texts, and those of the names in it."""
    names = [each.id for each in ast.walk(node) if isinstance(each, ast.Name)]
    return texts(node).union(*(constants().get(name, set()) for name in names))


def values_of_code(node: ast.AST) -> Iterator[ast.expr]:
    """What stands for the key "code" in a dictionary."""
    if isinstance(node, ast.Dict):
        for key, value in zip(node.keys, node.values, strict=True):
            if isinstance(key, ast.Constant) and key.value == "code":
                yield value


def raised() -> dict[str, str]:
    """Every code that a host raises or answers beside a setting, with a file that does."""
    found: dict[str, str] = {}
    for file in files("onhost"):
        for node in nodes(file):
            told = [node.args[0]] if _is_call_of(node, "Refusal") else list(values_of_code(node))
            for one in told:
                if isinstance(one, ast.Constant | ast.Name):  # anything else passes on what was raised before
                    found.update(dict.fromkeys(said(one) | _assigned(one, file), name_of(file)))
    return found


def _assigned(name: ast.expr, file: Path) -> set[str]:
    """The codes that a function gives a name of its own before it raises by it."""
    values = [
        node.value
        for node in nodes(file)
        if isinstance(node, ast.Assign)
        and any(ast.dump(one).replace("Store", "Load") == ast.dump(name) for one in node.targets)
    ]
    return set().union(*(said(value) for value in values if isinstance(value, ast.IfExp)))


def _is_call_of(node: ast.AST, name: str) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name


def test_every_code_that_a_host_raises_is_in_the_list_and_every_one_of_the_list_is_raised() -> None:
    found = raised()
    assert {code: file for code, file in found.items() if code not in CODES} == {}
    assert sorted(set(CODES) - set(found)) == []


def is_code(node: ast.AST) -> bool:
    """Whether an expression is a fault's code: `error.code`, `fault["code"]`, `use.get("code")`, `code`."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        return node.func.id == "str" and bool(node.args) and is_code(node.args[0])
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return node.func.attr == "get" and texts(node.args[0]) == {"code"}
    if isinstance(node, ast.Subscript):
        return isinstance(node.slice, ast.Constant) and node.slice.value == "code"
    return (isinstance(node, ast.Attribute) and node.attr == "code") or (
        isinstance(node, ast.Name) and node.id == "code"
    )


def compared(file: Path) -> set[str]:
    """Every code that something is decided by in a file."""
    found = [node for node in nodes(file) if isinstance(node, ast.Compare) and is_code(node.left)]
    return set().union(*(said(other) for node in found for other in node.comparators))


@cache
def made() -> frozenset[str]:
    """Every text of the controller's own that may become a code: what only stands in a comparison is none."""
    found: list[str] = []
    for file in (one for room in ("act", "decide") for one in files(room)):
        aside: set[int] = set()
        for node in nodes(file):
            if isinstance(node, ast.Compare) or _is_call_of(node, "frozenset"):
                aside.update(id(each) for each in ast.walk(node))
        found += [
            node.value
            for node in nodes(file)
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in aside
        ]
    return frozenset(found)


def test_whoever_decides_by_a_code_decides_by_one_that_somebody_raises() -> None:
    unknown = {
        code: name_of(file)
        for file in (one for room in DECIDING for one in files(room))
        for code in compared(file)
        if code not in CODES and code not in made()
    }
    assert unknown == {}


def test_what_the_list_says_that_follows_is_what_the_run_decides_by() -> None:
    assert codes_with(RUN_STOPS) == machine.HOST_IS_UNFIT
    assert codes_with(ASKED_ANEW) == machine.LEASE_IS_GONE
    assert codes_with(SETTING_FAILS) == judge.UNFINISHED - {"bug"}
    assert codes_with(CELL_IMPOSSIBLE) == judge._CANNOT & set(CODES)


def test_every_code_says_in_a_line_what_it_means_and_what_follows() -> None:
    for code, about in CODES.items():
        assert 10 <= len(about.meaning) <= 100, code
        assert about.follows, code
        assert about.whose, code
