"""Files that the user may not read or write are the machine's refusal, told in a sentence with exit code 2."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parents[1] / "results" / "golden" / "schema-1"
# Root may read and write everything: the command gives that up before it begins.
AS_USER = "from tests.strangers.as_user import obey_permissions; obey_permissions(); "
MAIN = "from orchestrator.cli.main import main; main()"


def told(*words: object) -> tuple[int, str]:
    """(exit code, what was said on standard error) of a command of an ordinary user's."""
    done = subprocess.run(
        [sys.executable, "-c", AS_USER + MAIN, *map(str, words)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )
    return done.returncode, done.stderr


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return Path(shutil.copytree(GOLDEN, tmp_path / "night"))


@pytest.mark.parametrize(
    ("closed", "mode", "words"),
    [
        ("", 0o500, ("report",)),
        ("", 0o400, ("survey", "plan.yaml")),
        ("plan.yaml", 0o000, ("check",)),
        ("trials.csv", 0o200, ("report",)),
        ("", 0o000, ("resume",)),
    ],
)
def test_a_file_that_may_not_be_used_is_named_and_is_no_fault_of_ours(
    run: Path, closed: str, mode: int, words: tuple[str, ...]
) -> None:
    name, *rest = words
    (run / closed).chmod(mode)
    try:
        code, said = told(name, run / rest[0] if name == "survey" else run, *(rest if name != "survey" else ()))
    finally:
        (run / closed).chmod(0o700)
    assert "our own fault" not in said, said
    refused = "Permission denied" in said or "is not readable" in said  # the latter by the command line's reader
    assert (code, refused, str(run) in said) == (2, True, True), said
