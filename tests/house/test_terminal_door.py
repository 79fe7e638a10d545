"""One door to the terminal: no other file of the controller can write there, so nothing of a stranger's gets by it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.testing.source import HOUSE, dotted, files, nodes

DOOR = "cli/say.py"
# `onhost`, `wire` and `metrics` run on hosts, where standard error goes to the controller; `lab` runs within the lab.
ELSEWHERE = ("onhost", "lab", "wire", "metrics")
SAYS = {
    "click.echo",
    "click.secho",
    "click.echo_via_pager",
    "print",
    "pprint",
    "rich.print",
    "pprint.pprint",
    "sys.stdout.write",
    "sys.stderr.write",
    "sys.stdout.writelines",
    "sys.stderr.writelines",
    "warnings.warn",
    "traceback.print_exc",
    "traceback.print_exception",
    "traceback.print_stack",
    "traceback.print_tb",
    "sys.excepthook",
    "sys.displayhook",
}
# What is laid out over several columns: each text in it is a rich Text made of visible(...), never markup.
LAID_OUT = {"report/terminal.py", "cli/suite_view.py"}


def ways_out(path: Path, file: str) -> list[str]:
    """Where a file says something by itself."""
    found = []
    for node in nodes(path):
        if isinstance(node, ast.Call):
            name = dotted(node.func)
            if name in SAYS or (name.endswith("console.print") and file not in LAID_OUT):
                found.append(f"{file}:{node.lineno}: {name}")
        elif isinstance(node, (ast.Import, ast.ImportFrom)):
            module = getattr(node, "module", None) or node.names[0].name
            names = {alias.name for alias in node.names}
            logs = module == "logging" or module.startswith("logging.")
            if logs or (module == "click" and names & {"echo", "secho"}):
                found.append(f"{file}:{node.lineno}: imports {module}")
    return found


def test_nothing_but_the_door_writes_to_the_terminal() -> None:
    watched = [path for path in files() if path.relative_to(HOUSE).parts[0] not in ELSEWHERE]
    found = [
        line
        for path in watched
        if (file := path.relative_to(HOUSE).as_posix()) != DOOR
        for line in ways_out(path, file)
    ]
    assert found == []
    assert len(watched) > 100


@pytest.mark.parametrize(
    "other",
    [
        "click.echo('x')",
        "print('x')",
        "import sys\nsys.stderr.write('x')",
        "import logging\nlogging.warning('x')",
        "from click import secho",
        "import traceback\ntraceback.print_exc()",
        "self.console.print('x')",
        "import warnings\nwarnings.warn('x')",
    ],
)
def test_every_other_way_is_found(other: str, tmp_path: Path) -> None:
    (tmp_path / "other.py").write_text(other)
    assert ways_out(tmp_path / "other.py", "cli/other.py")


def test_what_is_laid_out_in_columns_is_text_made_visible() -> None:
    """`Text(...)` and nothing else is printed, and what is put into one has been made visible or is our own words."""
    for file in LAID_OUT:
        for node in nodes(HOUSE / file):
            if isinstance(node, ast.Call) and dotted(node.func).endswith("console.print") and node.args:
                shown = node.args[0]
                assert isinstance(shown, (ast.Call, ast.Name)), f"{file}:{node.lineno}: markup"
