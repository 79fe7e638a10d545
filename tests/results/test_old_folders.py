"""Folders that earlier versions wrote stay readable: one golden folder for each schema, never written again.

A made-up run; what matters is its form. When the schema changes, a new folder is added and the old ones stay.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.report import read_report, write_report
from orchestrator.results.folder import SCHEMA_VERSION
from orchestrator.results.read_run import read_run

GOLDEN = Path(__file__).parent / "golden"


def test_every_schema_has_its_golden_folder() -> None:
    assert {folder.name for folder in GOLDEN.iterdir()} == {
        f"schema-{number}" for number in range(1, SCHEMA_VERSION + 1)
    }


@pytest.mark.parametrize("folder", sorted(GOLDEN.iterdir()), ids=lambda folder: folder.name)
def test_it_reads_to_the_same_figures(folder: Path) -> None:
    run = read_run(folder)

    assert run.factors == ("mtu", "transport", "direction")
    assert run.trials["status"].value_counts().to_dict() == {"valid": 4, "impossible": 4}
    # read off the file by eye
    assert run.trials["goodput_bit_s"].dropna().round().tolist() == [2346403862, 2395110533, 2337087083, 2387235606]
    assert run.cells["n_valid"].tolist() == [2, 2, 0, 0]


@pytest.mark.parametrize("folder", sorted(GOLDEN.iterdir()), ids=lambda folder: folder.name)
def test_its_report_can_be_written_again(folder: Path, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in folder.iterdir()}
    paths = write_report(folder, tmp_path)

    assert {"report.html", "report.md", "columns.json"} <= {path.name for path in paths}
    assert "trunk carries up to 2.39" in read_report(folder).sentences[0]
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
