"""What a report says of a screen: which factors matter, what cannot be told apart, and what to do next."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path

import pandas as pd
import pytest

from orchestrator.act.run_folder import write_run_json
from orchestrator.decide.compose import compose
from orchestrator.decide.state import begin
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import load
from orchestrator.planning.fraction import fraction
from orchestrator.planning.screening import screen_as_dict
from orchestrator.report import read_report, write_report
from orchestrator.results import columns
from orchestrator.results.cells import cells_table
from orchestrator.results.folder import open_run
from orchestrator.results.read_run import read_table
from orchestrator.results.statistics.screen import screens_of
from orchestrator.results.write import cell_text, restore_text, write_rows
from tests.report.page_tree import parse

DESIGN = fraction(["mtu", "clock", "ring", "steering"])  # 8 of 16, I = the four together
LEVELS = {"mtu": [1500, 9000], "clock": ["powersave", "performance"], "ring": [256, 4096], "steering": ["off", "all"]}


def run_with_a_screen(path: Path, *, blocks: int = 4, never_valid: int = 0) -> Path:
    """The MTU brings a quarter, clock a tenth, the two together another twentieth; ring and steering do nothing."""
    folder = path / "what-matters-20260301T210000Z-4f2a"
    folder.mkdir()
    chance = random.Random(1)
    rows = []
    for block in range(1, blocks + 1):
        for cell, signs in enumerate(DESIGN.runs, 1):
            level = dict(zip(DESIGN.factors, signs, strict=True))
            goodput = 1.2e9 * 1.25 ** (level["mtu"] > 0) * 1.1 ** (level["clock"] > 0) * chance.gauss(1, 0.004)
            goodput *= 1.05 ** (level["mtu"] * level["clock"] > 0)
            rows.append(
                {
                    "trial": len(rows) + 1,
                    "attempt": 1,
                    "cell": cell,
                    "replicate": block,
                    "block": block,
                    "whole_plot": len(rows) + 1,
                    "position": len(rows) + 1,
                    "role": "measure",
                    "link": "uplink",
                    "way": "transmit",
                    "sender": "dome",
                    "receiver": "hall",
                    "goodput_bit_s": goodput,
                    "ceiling_bit_s": 2.4e9,
                    "fill": goodput / 2.4e9,
                    "status": "suspect" if cell == never_valid else "valid",
                    "doubts": "",
                    "reason": "",
                    **{name: LEVELS[name][level[name] > 0] for name in DESIGN.factors},
                }
            )
    (folder / "run.json").write_text(
        json.dumps(
            {
                "schema": 1,
                "run_id": folder.name,
                "plan_name": "what-matters",
                "linktrial": "0.1.0",
                "threshold_ratio": 0.03,
                "cells": [],
                "screen": {**DESIGN.as_dict(), "resolution": 4, "levels": LEVELS},
            }
        )
    )
    names = list(DESIGN.factors)
    write_rows(folder / "trials.csv", columns.names("trials.csv", names), rows)
    table = cells_table(read_table(open_run(folder), "trials.csv"), names)
    write_rows(folder / "cells.csv", list(table.columns), table.to_dict("records"))
    return folder


def test_the_factors_that_matter_are_named_with_their_changes_and_the_rest_is_to_be_held(tmp_path: Path) -> None:
    said = " ".join(read_report(run_with_a_screen(tmp_path)).sentences).replace("\u202f", " ")
    assert "Of 4 factors screened (transmit), 2 change the goodput by 3 % or more: mtu, 9000 instead of 1500 b" in said
    assert "; clock, performance instead of powersave brings +" in said
    assert "mtu with clock = ring with steering: +" in said
    assert "vary them in a plan without screen and hold ring and steering at one level each" in said
    assert "matters most" not in said, "the sentences about effects need all combinations"


def test_the_page_shows_every_group_with_what_it_stands_for(tmp_path: Path) -> None:
    folder = run_with_a_screen(tmp_path)
    write_report(folder)
    text = parse((folder / "report.html").read_text()).text()
    assert "What the screen shows" in text
    assert "8 of 16 combinations were measured in 4 blocks" in text
    for group in ("mtu with clock = ring with steering", "mtu with ring = clock with steering"):
        assert group in text
    assert "What is joined by = cannot be told apart." in text
    assert "cannot be told apart" in (folder / "report.md").read_text()


@pytest.mark.parametrize(
    ("blocks", "never_valid", "words"),
    [
        (1, 0, "one block cannot say whether it is more than chance"),
        (4, 3, "says nothing: no block has a valid trial of each of its 8 cells; never valid: cells 3"),
    ],
)
def test_a_screen_that_can_say_little_says_so(tmp_path: Path, blocks: int, never_valid: int, words: str) -> None:
    report = read_report(run_with_a_screen(tmp_path, blocks=blocks, never_valid=never_valid))
    assert words in " ".join(report.sentences)


def test_a_run_s_folder_carries_its_screen_from_the_plan_to_the_report(tmp_path: Path) -> None:
    plan = load(
        "plan: night\nhosts: {dome: {ssh: dome, privilege: root}, hall: {ssh: hall, privilege: root}}\n"
        "links: {uplink: {under_test: dome eth1, far: hall eth1, isolated: true}}\nscreen: true\n"
        "factors: {mtu: [1500, 9000], streams: [1, 4], ip: [4, 6], zero_copy: [false, true]}\n",
        catalogue=CATALOGUE,
    )
    state = begin(compose(plan, run_id="night-1", holder="h"))
    write_run_json(
        tmp_path,
        state,
        started_at="2026-03-01T21:00:00Z",
        ended_at=None,
        helper_hash="",
        bench={},
        purpose="",
        threshold_ratio=0.03,
        binds={},
        screen=screen_as_dict(plan),
    )
    run = json.loads((tmp_path / "run.json").read_text())
    rows = [
        {
            "cell": cell["number"],
            "block": 1,
            "whole_plot": cell["number"],
            "way": "transmit",
            "link": "uplink",
            "role": "measure",
            "status": "valid",
            "goodput_bit_s": 1e9 * (2 if cell["levels"]["zero_copy"] else 1),
            **{name: restore_text(cell_text(level)) for name, level in cell["levels"].items()},
        }
        for cell in run["cells"]
    ]
    (screen,) = screens_of(run, pd.DataFrame(rows))
    assert screen.found is not None
    strongest = screen.found.effects[0]
    assert (set(strongest.factors), strongest.difference) == ({"zero_copy"}, pytest.approx(math.log(2)))


def test_blocks_that_lack_a_cell_are_told_with_what_completes_them(tmp_path: Path) -> None:
    folder = run_with_a_screen(tmp_path, blocks=2)
    text = (folder / "trials.csv").read_text()
    (folder / "trials.csv").write_text(text.replace("valid", "suspect", 1))
    said = " ".join(read_report(folder).sentences)
    assert "one block (1 of 2 blocks lacks a valid trial of some cell; `linktrial resume`" in said
    assert "shows the largest change, +2" in said
