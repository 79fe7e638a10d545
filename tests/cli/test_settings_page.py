"""The page of settings says what the code can do, all of it, and nothing else."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from orchestrator.cli.settings import command
from orchestrator.cli.settings_page import page
from orchestrator.onhost.settings import CATALOGUE, FAMILIES
from orchestrator.planning.traffic import TRAFFIC_FACTORS

PAGE = Path(__file__).parents[2] / "plans/settings.md"


def test_the_committed_page_is_the_one_that_the_code_makes() -> None:
    made = CliRunner().invoke(command, ["--markdown"], standalone_mode=False)
    assert made.exit_code == 0
    assert PAGE.read_text(encoding="utf-8") == made.output, "linktrial settings --markdown > plans/settings.md"


def test_every_setting_family_and_traffic_factor_has_its_part() -> None:
    heads = {line.strip("#` ") for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("### ")}
    assert heads == {*CATALOGUE, *(family.called for family in FAMILIES), *TRAFFIC_FACTORS}


def test_words_of_a_setting_are_no_markup() -> None:
    entry = {"name": "odd", "unit": "", "domain": "a*b|c", "transport": "", "example": 1, "doc": "<b> [x](y) _z_"}
    assert r"\<b\> \[x\](y) \_z\_" in page([], [entry])
    assert r"Levels: a\*b\|c." in page([], [entry])
