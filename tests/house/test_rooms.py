"""The shape of the house: which room may import what, and what no file may contain."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOUSE = ROOT / "orchestrator"
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
SHIPPED = ("onhost", "wire", "metrics")
OLDEST_ON_HOSTS = (3, 8)


def files(*rooms: str) -> list[Path]:
    """The source files of rooms, all of them when none is named."""
    return sorted(path for room in rooms or ("",) for path in (HOUSE / room).rglob("*.py"))


def name_of(path: Path) -> str:
    """A file as the tests' lists show it."""
    return path.relative_to(ROOT).as_posix()


def tree(path: Path) -> ast.Module:
    """A file's syntax."""
    return ast.parse(path.read_text(), filename=str(path))


def imports(path: Path) -> Iterator[str]:
    """Every module that a file imports, wherever in it, by its full name."""
    package = ".".join(path.relative_to(ROOT).with_suffix("").parts[:-1])
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package.split(".")[: len(package.split(".")) + 1 - node.level]) if node.level else ""
            module = ".".join(filter(None, [base, node.module]))
            yield from (f"{module}.{alias.name}" if module == "orchestrator" else module for alias in node.names)


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
        for node in ast.walk(tree(path))
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


@pytest.mark.parametrize("path", files(*SHIPPED), ids=name_of)
def test_what_runs_on_hosts_is_written_for_the_oldest_python_there(path: Path) -> None:
    ast.parse(path.read_text(), filename=str(path), feature_version=OLDEST_ON_HOSTS)
    assert any(isinstance(node, ast.ImportFrom) and node.module == "__future__" for node in tree(path).body) or not [
        node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef)
    ], "annotations must not be evaluated there"


def test_results_and_report_never_reach_for_a_host() -> None:
    reaching = {"orchestrator.act", "orchestrator.onhost", "orchestrator.lab", "asyncssh", "socket", "subprocess"}
    found = [
        f"{name_of(path)}: {module}"
        for path in files("results", "report")
        for module in imports(path)
        if belongs(module, reaching)
    ]
    assert found == []


def calls(path: Path) -> Iterator[tuple[ast.Call, str]]:
    """(call, the name called) of a file, such as `subprocess.run`."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call):
            yield node, ast.unparse(node.func)


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


@pytest.mark.parametrize("path", files(), ids=name_of)
def test_no_value_ever_meets_a_shell(path: Path) -> None:
    for call, name in calls(path):
        assert not name.endswith(SHELLS), f"line {call.lineno}: {name}"
        for keyword in call.keywords:
            assert keyword.arg != "shell" or (
                isinstance(keyword.value, ast.Constant) and keyword.value.value is False
            ), f"line {call.lineno}: shell="
        if name.rpartition(".")[2] in STARTS and name != "asyncio.run" and call.args:
            assert not isinstance(call.args[0], ast.JoinedStr), f"line {call.lineno}: a command made of text"
            parts = call.args[0].elts if isinstance(call.args[0], ast.List | ast.Tuple) else []
            assert not (parts and isinstance(parts[0], ast.JoinedStr)), (
                f"line {call.lineno}: a program's name made of text"
            )


@pytest.mark.parametrize("path", files(), ids=name_of)
def test_host_keys_are_never_left_unverified(path: Path) -> None:
    """For asyncssh `known_hosts=None` means that any host key will do."""
    for call, name in calls(path):
        for keyword in call.keywords:
            unverified = keyword.arg == "known_hosts" and isinstance(keyword.value, ast.Constant)
            assert not unverified, f"line {call.lineno}: {name}(known_hosts={ast.unparse(keyword.value)})"
    for node in ast.walk(tree(path)):
        if (
            isinstance(node, ast.Assign | ast.AnnAssign)
            and isinstance(node.value, ast.Constant)
            and node.value.value is None
        ):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            assert not any(ast.unparse(target).endswith(".known_hosts") for target in targets), f"line {node.lineno}"


@pytest.mark.parametrize("path", files(), ids=name_of)
def test_a_file_is_short_enough_to_be_read_at_once(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= MOST_LINES


def test_the_rules_notice_what_they_are_there_for(tmp_path: Path) -> None:
    """The walkers on files that break each rule: a rule that cannot fail guards nothing."""
    bad = tmp_path / "bad.py"
    bad.write_text(
        "import subprocess as s\nfrom os import path\nimport asyncio.subprocess\n"
        "s.run(f'ls {x}')\ns.run(x, shell=True)\nconnect(known_hosts=None)\nopen('x')\n"
    )
    global_root = ROOT
    try:
        globals()["ROOT"] = tmp_path
        assert set(imports(bad)) == {"subprocess", "os", "asyncio.subprocess"}
        with pytest.raises(AssertionError, match="made of text"):
            test_no_value_ever_meets_a_shell(bad)
        bad.write_text("s.run(x, shell=True)\n")
        with pytest.raises(AssertionError, match="shell="):
            test_no_value_ever_meets_a_shell(bad)
        bad.write_text("connect(known_hosts=None)\n")
        with pytest.raises(AssertionError, match="known_hosts"):
            test_host_keys_are_never_left_unverified(bad)
    finally:
        globals()["ROOT"] = global_root
    assert not belongs("subprocess", set(PURE))
    assert not belongs("orchestrator.planningx", ALSO["planning"])
