"""The guides say what is so: every file they name is there, every type of the walk stands where it is said to."""

from __future__ import annotations

import ast
import os
import re
from pathlib import Path

import pytest

from tests.testing import protocol
from tests.testing.source import HOUSE, ROOT, nodes

GUIDES = ("README.md", "DEVELOPERS.md", "tests/proofs/figures.md", "orchestrator/onhost/protocol.md")
# A file or folder of ours, as guides write it: from the checkout, from the package, or from the page's own folder.
FILE = re.compile(r"(?<![\w./~-])((?:[\w.-]+/)*[\w-]+\.(?:py|sh|md|yaml|lock|toml)|(?:[\w.-]+/)+)(?![\w*])")
NO_FILES = {"plan.yaml", "report.md", "benches.yaml", "tests/benchmarks/NAME.py"}  # of a run, or one for many
NOT_OURS = ("/", "~", "$")  # of a host, of a user's home, of a variable
MORE_PLACES = (ROOT, HOUSE, HOUSE / "onhost", ROOT / "plans", ROOT / "tests" / "onhost")


def named(page: Path) -> set[str]:
    """Files and folders that a page names in `code`, without those of hosts and runs."""
    quoted = re.findall(r"`([^`\n]+)`", page.read_text())
    found = {name for code in quoted for name in FILE.findall(code) if "://" not in code}
    return {name for name in found if name not in NO_FILES and not name.startswith(NOT_OURS)}


def is_there(name: str, page: Path) -> bool:
    return any((place / name).exists() for place in (*MORE_PLACES, page.parent))


@pytest.mark.parametrize("guide", GUIDES)
def test_a_guide_names_no_file_that_is_not_there(guide: str) -> None:
    page = ROOT / guide
    python = {name for name in named(page) if name.endswith((".py", ".sh", ".md", ".toml", ".lock"))}
    assert {name for name in python if not is_there(name, page)} == set()


def test_every_python_file_named_in_a_comment_is_there() -> None:
    """Also by its last parts alone: `judge.py`, `verdict/judge.py`."""
    everything = {path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py") if ".venv" not in path.parts}
    wrong = []
    for path in sorted(HOUSE.rglob("*.py")):
        wrong += [
            f"{path.relative_to(ROOT)}: {name}"
            for name in re.findall(r"(?<![\w/.{-])((?:[\w-]+/)*[a-z_]+\.py)\b", path.read_text())
            if not any(one == name or one.endswith(f"/{name}") for one in everything)
        ]
    assert wrong == []


def walk() -> list[tuple[str, list[tuple[str, str]]]]:
    """(step, [(name, the file that it is said to be in)]) of the guide's walk of one trial."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    rows = text.split("## One trial, line by line")[1].split("\n## ")[0].splitlines()
    found = []
    for row in rows:
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        if len(cells) != 4 or not row.startswith("|") or cells[0] in ("step", "---"):
            continue
        files = re.findall(r"`([\w/]+\.py)`", cells[3]) or re.findall(r"`([\w/]+\.py)`", cells[1])
        found.append((cells[0], [(name, files[0]) for name in re.findall(r"`(\w+)`", cells[3])]))
    return found


def test_every_type_of_the_walk_stands_in_the_file_that_the_walk_names() -> None:
    steps = walk()
    assert len(steps) > 12
    wrong = [
        f"{step}: {name} is not in {file}"
        for step, names in steps
        for name, file in names
        if not any(
            isinstance(node, ast.ClassDef | ast.FunctionDef) and node.name == name for node in nodes(HOUSE / file)
        )
    ]
    assert wrong == []


def test_the_table_of_verbs_is_the_codes() -> None:
    page = protocol.PAGE.read_text()
    assert page == protocol.with_table(page), "renew it: .venv/bin/python -m tests.testing.protocol"


def test_every_proof_is_told_of_beside_the_figures() -> None:
    told = (ROOT / "tests" / "proofs" / "figures.md").read_text().split("## Figures")[0]
    proofs = [
        path.name for path in (ROOT / "tests" / "proofs").iterdir() if path.is_file() and os.access(path, os.X_OK)
    ]
    assert len(proofs) > 15
    assert [name for name in proofs if not re.search(rf"\| `{re.escape(name)}[ `]", told)] == []


# Words that stood for papers which are not in the repository, and numbers of somebody's list of work.
NOWHERE = re.compile(
    r"\btraps? Z?\d|\btraps? \(|\bdesign(\.md|'s)? (section|table|\d)|\bfeasibility section|\bcheck-values\b|"
    r"\bissues? #?\d|\bticket #?\d|\bthe brief\b|\bseen from outside\b",
    re.IGNORECASE,
)


def test_a_reference_can_be_followed_from_the_repository() -> None:
    sources = [*HOUSE.rglob("*.py"), *(ROOT / "tests").rglob("*.py"), *(ROOT / name for name in GUIDES)]
    wrong = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for path in sorted(sources)
        if path != Path(__file__)
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if NOWHERE.search(line)
    ]
    assert wrong == []
