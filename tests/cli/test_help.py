"""What every command's help looks like on a terminal."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from orchestrator.cli.main import COMMANDS, cli


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_examples_stand_on_lines_of_their_own(name: str) -> None:
    words = CliRunner().invoke(cli, [name, "--help"], prog_name="linktrial").output
    assert words.startswith("Usage: linktrial")
    assert "\\b" not in words, "a mark that was to keep the lines apart is printed"
    assert not re.search(r"linktrial [a-z]+ .*linktrial [a-z]+ ", words), "two examples on one line"
