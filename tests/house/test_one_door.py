"""Nothing inside a run's folder is opened but through `orchestrator.run_files`: a stranger's links are not followed."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.testing.source import HOUSE, files, nodes

ROOMS = ("act", "results", "report", "cli")
# Calls that open, make, move or look for files. `exists` and `is_dir` only look at what the user named.
OPENING = frozenset(
    {
        "open",
        "fdopen",
        "read_text",
        "read_bytes",
        "write_text",
        "write_bytes",
        "mkdir",
        "makedirs",
        "unlink",
        "rename",
        "replace",
        "symlink_to",
        "hardlink_to",
        "symlink",
        "touch",
        "chmod",
        "glob",
        "rglob",
        "iterdir",
        "listdir",
        "scandir",
        "walk",
        "is_file",
        "is_symlink",
        "mkstemp",
        "NamedTemporaryFile",
        "rmtree",
        "copy",
        "copy2",
        "copytree",
        "move",
        "rmdir",
        "truncate",
        "lstat",
        "stat",
    }
)
NOT_PATHS = frozenset({"replace", "rename"})  # also of strings and tables, told from paths by their arguments
# (file, calls): what is not a run's folder, and why it is opened elsewhere.
ELSEWHERE = {
    "act/ssh_config.py": "the user's SSH configuration",
    "act/login.py": "the user's SSH certificates",
    "act/login_keys.py": "the user's SSH keys",
    "act/host_keys.py": "the user's known hosts",
    "act/revoked_keys.py": "the user's lists of revoked keys",
    "act/bundle.py": "our own package",
    "act/signals.py": "the null device, in a dead terminal's place",
    "cli/main.py": "the null device, in a dead terminal's place",
    "cli/demo.py": "a host of the lab that the demo has made",
    "cli/own_fault.py": "a new file for a traceback, where this machine keeps temporary ones",
    "report/page/html.py": "our own package",
    "report/public/sentences.py": "our own package",
    "results/parquet.py": "a folder that the user names for other tools",
    "results/comparison/references.py": "the user's own references",
}
# One call each, of files that stay within the door's rules.
ALLOWED = {
    ("act/run_folder.py", "mkdir"): "the run's new folder itself, which must not be there yet",
    ("cli/suites.py", "mkdir"): "the suite's new folder itself, likewise",
    ("cli/plans.py", "open"): "a plan that the user names, which may be a link or a pipe",
    ("cli/run.py", "read_text"): "what the lab says of itself, named by the demo",
    ("cli/progress.py", "fdopen"): "a descriptor that the door has opened",
    ("report/model.py", "rename"): "a table's column",
    ("results/write.py", "fdopen"): "a descriptor that the door has opened",
}


def openings(path: Path) -> list[tuple[int, str]]:
    """(line, name) of every call that opens, makes or moves a file."""
    found = []
    for node in nodes(path):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id == "open":
            found.append((node.lineno, node.func.id))
        elif isinstance(node.func, ast.Attribute) and node.func.attr in OPENING:
            if node.func.attr in NOT_PATHS and (len(node.args) != 1 or node.keywords) and not _is_os(node.func.value):
                continue
            if node.func.attr == "open" and _is_a_session(node.func.value):
                continue
            found.append((node.lineno, node.func.attr))
    return found


def _is_os(value: ast.expr) -> bool:
    return isinstance(value, ast.Name) and value.id == "os"


def _is_a_session(value: ast.expr) -> bool:
    return isinstance(value, ast.Name) and value.id == "session"


def test_no_room_opens_a_file_beside_the_door() -> None:
    wrong = [
        f"{name}:{line}: {call}"
        for path in files(*ROOMS)
        if (name := path.relative_to(HOUSE).as_posix()) not in ELSEWHERE
        for line, call in openings(path)
        if (name, call) not in ALLOWED
    ]
    assert wrong == []


def test_the_lists_name_nothing_that_is_gone() -> None:
    assert all((HOUSE / name).is_file() for name in ELSEWHERE)
    assert all(call in [one for _, one in openings(HOUSE / name)] for name, call in ALLOWED)


@pytest.mark.parametrize(
    "line",
    [
        'open("x")',
        "path.read_text()",
        "os.open(p, 0)",
        "a.replace(b)",
        "shutil.move(a, b)",
        'folder.glob("*")',
        "tempfile.mkstemp()",
    ],
)
def test_an_opening_is_seen(line: str, tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text(line)
    assert openings(tmp_path / "bad.py")
