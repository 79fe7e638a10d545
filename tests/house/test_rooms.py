"""The shape of the house: which room may import what, and what no file may contain."""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.testing.source import SHIPPED, calls, files, imports, name_of, nodes, text

MOST_LINES = 520
# Standard library that computes and does nothing else. Closed: a new name is put here on purpose or not at all.
PURE = frozenset(
    {
        "__future__",
        "abc",
        "array",
        "base64",
        "bisect",
        "collections",
        "contextlib",
        "copy",
        "dataclasses",
        "enum",
        "fractions",
        "functools",
        "hashlib",
        "heapq",
        "hmac",
        "ipaddress",
        "itertools",
        "json",
        "math",
        "operator",
        "re",
        "shlex",  # of it only `join`, which is text in and text out
        "statistics",
        "string",
        "struct",
        "textwrap",
        "types",
        "typing",
        "unicodedata",
        "zlib",
    }
)
# What else a pure room may use: libraries that only compute, and the rooms below it.
ALSO = {
    "planning": {
        "pydantic",
        "pydantic_core",
        "annotated_types",
        "yaml",
        "orchestrator.planning",
        "orchestrator.faults",
        "orchestrator.wire",
        "orchestrator.words",
    },
    "decide": {
        "orchestrator.decide",
        "orchestrator.planning",
        "orchestrator.faults",
        "orchestrator.stored",
        "orchestrator.wire",
        "orchestrator.words",
        "orchestrator.metrics",
    },
    "words": {"orchestrator.words", "orchestrator.faults"},
    "wire": {"orchestrator.wire"},
    "metrics": {"orchestrator.metrics", "orchestrator.wire"},
}
OLDEST_ON_HOSTS = (3, 8)


def belongs(module: str, allowed: set[str]) -> bool:
    """Whether a module is one of the allowed or lies within one."""
    return any(module == one or module.startswith(one + ".") for one in allowed)


@pytest.mark.parametrize("room", ALSO)
def test_a_pure_room_imports_nothing_that_does_io(room: str) -> None:
    foreign = {
        name_of(path): sorted({module for module in imports(path) if not belongs(module, set(PURE) | ALSO[room])})
        for path in files(room)
    }
    assert {path: modules for path, modules in foreign.items() if modules} == {}


DOORS = ("open", "exec", "eval", "compile", "__import__", "input", "breakpoint", "print")


@pytest.mark.parametrize("room", ALSO)
def test_a_pure_room_opens_no_door_of_the_language_itself(room: str) -> None:
    found = [
        f"{name_of(path)}:{node.lineno} {node.func.id}"
        for path in files(room)
        for node in nodes(path)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in DOORS
    ]
    assert found == []


def test_what_runs_on_hosts_imports_only_itself_and_the_standard_library() -> None:
    rooms = {f"orchestrator.{room}" for room in SHIPPED}
    foreign = {
        name_of(path): sorted(
            {
                module
                for module in imports(path)
                if not belongs(module, rooms) and module.partition(".")[0] not in sys.stdlib_module_names
            }
        )
        for path in files(*SHIPPED)
    }
    assert {path: modules for path, modules in foreign.items() if modules} == {}


def test_what_runs_on_hosts_is_written_for_the_oldest_python_there() -> None:
    evaluated = []
    for path in files(*SHIPPED):
        ast.parse(text(path), filename=str(path), feature_version=OLDEST_ON_HOSTS)
        postponed = any(isinstance(node, ast.ImportFrom) and node.module == "__future__" for node in nodes(path))
        if not postponed and any(isinstance(node, ast.FunctionDef) for node in nodes(path)):
            evaluated.append(name_of(path))
    assert evaluated == [], "annotations must not be evaluated there"


def test_results_and_report_never_reach_for_a_host() -> None:
    reaching = {"orchestrator.act", "orchestrator.onhost", "orchestrator.lab", "asyncssh", "socket", "subprocess"}
    found = [
        f"{name_of(path)}: {module}"
        for path in files("results", "report")
        for module in imports(path)
        if belongs(module, reaching)
    ]
    assert found == []


STARTS = (
    "run",
    "Popen",
    "call",
    "check_call",
    "check_output",
    "create_subprocess_exec",
    "execv",
    "execve",
    "execvp",
    "posix_spawn",
)
SHELLS = ("os.system", "os.popen", "subprocess.getoutput", "subprocess.getstatusoutput", "create_subprocess_shell")


def meets_a_shell(path: Path) -> Iterator[str]:
    """Where a file gives text to a shell, or makes a command of text."""
    for call, name in calls(path):
        if name.endswith(SHELLS):
            yield f"line {call.lineno}: {name}"
        for keyword in call.keywords:
            if keyword.arg == "shell" and not (
                isinstance(keyword.value, ast.Constant) and keyword.value.value is False
            ):
                yield f"line {call.lineno}: shell="
        if name.rpartition(".")[2] in STARTS and name != "asyncio.run" and call.args:
            if isinstance(call.args[0], ast.JoinedStr):
                yield f"line {call.lineno}: a command made of text"
            parts = call.args[0].elts if isinstance(call.args[0], ast.List | ast.Tuple) else []
            if parts and isinstance(parts[0], ast.JoinedStr):
                yield f"line {call.lineno}: a program's name made of text"


def test_no_value_ever_meets_a_shell() -> None:
    assert broken(meets_a_shell) == []


def leaves_keys_unverified(path: Path) -> Iterator[str]:
    """Where a file gives asyncssh `known_hosts=None`, which means that any host key will do."""
    for call, name in calls(path):
        for keyword in call.keywords:
            if keyword.arg == "known_hosts" and isinstance(keyword.value, ast.Constant):
                yield f"line {call.lineno}: {name}(known_hosts={ast.unparse(keyword.value)})"
    for node in nodes(path):
        if isinstance(node, ast.Assign | ast.AnnAssign) and _is_none(node.value):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(ast.unparse(target).endswith(".known_hosts") for target in targets):
                yield f"line {node.lineno}: known_hosts"


def _is_none(value: ast.expr | None) -> bool:
    return isinstance(value, ast.Constant) and value.value is None


def test_host_keys_are_never_left_unverified() -> None:
    assert broken(leaves_keys_unverified) == []


def test_a_file_is_short_enough_to_be_read_at_once() -> None:
    assert {name_of(path) for path in files() if len(text(path).splitlines()) > MOST_LINES} == set()


def broken(rule: Callable[[Path], Iterator[str]]) -> list[str]:
    """Everything in the package that breaks a rule."""
    return [f"{name_of(path)}: {what}" for path in files() for what in rule(path)]


@pytest.mark.parametrize(
    ("line", "rule", "told"),
    [
        ("s.run(f'ls {x}')", meets_a_shell, "a command made of text"),
        ("s.run([f'/bin/{x}'])", meets_a_shell, "a program's name made of text"),
        ("s.run(x, shell=True)", meets_a_shell, "shell="),
        ("os.system(x)", meets_a_shell, "os.system"),
        ("connect(known_hosts=None)", leaves_keys_unverified, "known_hosts"),
        ("options.known_hosts = None", leaves_keys_unverified, "known_hosts"),
    ],
)
def test_the_rules_notice_what_they_are_there_for(
    tmp_path: Path, line: str, rule: Callable[[Path], Iterator[str]], told: str
) -> None:
    """A rule that cannot fail guards nothing."""
    bad = tmp_path / "bad.py"
    bad.write_text(line + "\n")
    assert told in "".join(rule(bad))


def test_imports_are_seen_wherever_they_stand(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("import subprocess as s\nfrom os import path\ndef f():\n    import asyncio.subprocess\n")
    assert set(imports(bad, tmp_path)) == {"subprocess", "os", "asyncio.subprocess"}
    assert not belongs("subprocess", set(PURE))
    assert not belongs("orchestrator.planningx", ALSO["planning"])
