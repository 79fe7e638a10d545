"""Folders that earlier versions wrote stay readable: golden folders of each schema, never written again.

`schema-1` is a made-up run without a journal; `schema-1-journal` and `schema-2` are one simulated plan, run by the last
program that wrote version 1 and by the first that wrote version 2. When the schema changes, a new folder is added and
the old ones stay.
"""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from orchestrator.cli.compare import command
from orchestrator.decide.journal_lines import START, Entry, decode, encode
from orchestrator.decide.replay import replay
from orchestrator.decide.version_1 import in_todays_names
from orchestrator.report import read_report, write_report
from orchestrator.results import columns
from orchestrator.results.from_journal import judged_records
from orchestrator.results.read_run import read_run
from orchestrator.results.rows import trial_rows
from orchestrator.results.tables import write_tables
from orchestrator.results.version_1 import COLUMNS
from orchestrator.stored import SCHEMA_VERSION

GOLDEN = Path(__file__).parent / "golden"
FOLDERS = sorted(GOLDEN.iterdir())
WITH_JOURNAL = [folder for folder in FOLDERS if (folder / "journal.jsonl").exists()]
# read off the files by eye: (factors, statuses, some goodput, valid trials of the cells, words of the report)
SEEN = {
    "schema-1": (
        ("mtu", "transport", "direction"),
        {"valid": 4, "impossible": 4},
        [2346403862, 2395110533, 2337087083, 2387235606],
        [2, 2, 0, 0],
        " carries up to 2.39",
    ),
    "schema-1-journal": (
        ("mtu", "transport", "intended_load", "direction"),
        {"valid": 24},
        [941482440] * 6 + [990042040] * 12 + [941482440] * 6,
        [2] * 12,
        "uplink carries up to 990",
    ),
}
SEEN["schema-2"] = SEEN["schema-1-journal"]


def test_every_schema_has_its_golden_folder() -> None:
    assert {folder.name.split("-")[1] for folder in FOLDERS} == {str(number) for number in range(1, SCHEMA_VERSION + 1)}


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_it_reads_to_the_same_figures(folder: Path) -> None:
    run = read_run(folder)
    factors, statuses, goodput, valid, _ = SEEN[folder.name]

    assert run.factors == factors
    assert run.trials["status"].value_counts().to_dict() == statuses
    assert run.trials["goodput_bit_s"].dropna().round().tolist() == goodput
    assert run.cells["n_valid"].tolist() == valid
    assert not {*COLUMNS} & {*run.trials.columns, *run.hosts.columns, *run.cells.columns}


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_its_report_can_be_written_again(folder: Path, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in folder.iterdir()}
    paths = write_report(folder, tmp_path)

    assert {"report.html", "report.md", "columns.json"} <= {path.name for path in paths}
    assert SEEN[folder.name][-1] in read_report(folder).sentences[0]
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize("folder", WITH_JOURNAL, ids=lambda folder: folder.name)
def test_its_journal_tells_the_whole_run(folder: Path) -> None:
    """Replayed to its end, and judged again to the rows that were written then."""
    entries, cut, _ = decode((folder / "journal.jsonl").read_bytes().splitlines(keepends=True))
    state, judged = judged_records(entries)

    assert cut is None
    assert state.exit_code == 0
    assert all(host.released for host in state.hosts.values())
    run = read_run(folder)
    rows = [
        row for record, found in judged if record["role"] != "rehearse" for row in trial_rows(record, found, run.run)
    ]
    assert [row["status"] for row in rows] == run.trials["status"].tolist()
    for name in ("goodput_bit_s", "intended_load_bit_s", "cross_traffic_bytes", "ceiling_bit_s"):
        known = run.trials[name].notna()
        assert [row[name] is not None for row in rows] == known.tolist()
        assert [row[name] for row in rows if row[name] is not None] == pytest.approx(run.trials[name][known].tolist())
    assert [row["intended_load"] or "" for row in rows] == run.trials["intended_load"].tolist()


@pytest.mark.parametrize("folder", WITH_JOURNAL, ids=lambda folder: folder.name)
def test_its_tables_can_be_made_again_and_are_of_todays_version(folder: Path, tmp_path: Path) -> None:
    again = tmp_path / "run"
    shutil.copytree(folder, again)
    write_tables(again)

    assert json.loads((again / "columns.json").read_text())["schema"] == SCHEMA_VERSION
    with (again / "trials.csv").open(newline="") as file:
        assert next(csv.reader(file)) == columns.names("trials.csv", SEEN[folder.name][0])
    assert read_run(again).trials["goodput_bit_s"].tolist() == read_run(folder).trials["goodput_bit_s"].tolist()


def test_a_run_of_version_1_compares_with_one_of_version_2() -> None:
    words = [str(GOLDEN / "schema-2"), "--with", str(GOLDEN / "schema-1-journal"), "--json"]
    done = CliRunner().invoke(command, words, standalone_mode=False)
    found = json.loads(done.stdout)

    assert done.return_value == 0, done.stdout
    assert len(found["cells"]) == 12  # all of them have a partner
    assert {cell["verdict"] for cell in found["cells"]} == {"no change"}


def test_a_journal_of_version_1_that_was_gone_on_with_reads_like_any_other() -> None:
    """`resume` adds lines of version 2 to it: in today's names already, they stay as they are."""
    lines = (GOLDEN / "schema-1-journal" / "journal.jsonl").read_bytes().splitlines(keepends=True)
    last = next(place for place, line in enumerate(lines) if b'"event":"Released"' in line)
    entries, _, total = decode(lines[:last])
    marked = Entry(last + 1, "later", "event", {"event": "Marked", "position": 6, "reason": "the door stood open"})
    line, _ = encode(marked, total)
    longer, cut, _ = decode([*lines[:last], line.encode() + b"\n"])

    assert cut is None
    assert longer == [*entries, marked]
    state, _ = replay(longer)
    assert state.marks == {6: "the door stood open"}


def test_names_of_the_users_are_no_words_of_version_1() -> None:
    """A host may be called `keeper`, a link `segment_size`: as keys they stay what they are."""
    setup = {"hosts": ["keeper", "least_s"], "links": [{"name": "segment_size"}]}
    body = {"event": "Taken", "seen": {"keeper": {"least_s": 1, "foreign_bytes": 2}, "segment_size": 3}}
    first, total = encode(Entry(1, "then", "setup", setup), START)
    second, _ = encode(Entry(2, "then", "event", body), total)
    entries, cut, _ = decode([first.encode() + b"\n", second.encode() + b"\n"])

    assert cut is None
    assert entries[1].body == {
        "event": "LeaseAcquired",
        "seen": {"keeper": {"least_s": 1, "cross_traffic_bytes": 2}, "segment_size": 3},
    }


def test_a_factor_of_the_users_keeps_its_name_in_a_journal_of_version_1() -> None:
    setup = {"hosts": [], "links": [], "cells": [{"levels": {"keeper": 1, "offered_rate": "50%", "bound_s": 2}}]}
    line, _ = encode(Entry(1, "then", "setup", setup), START)
    ((entry,), cut, _) = decode([line.encode() + b"\n"])

    assert cut is None
    assert entry.body["cells"] == [{"levels": {"keeper": 1, "intended_load": "50%", "bound_s": 2}}]


@pytest.mark.parametrize("old", sorted(COLUMNS))
def test_a_factor_of_today_may_have_any_name_of_version_1(old: str, tmp_path: Path) -> None:
    """As a command setting may be called: its column in a table of today is the user's own."""
    shutil.copytree(GOLDEN / "schema-2", tmp_path / "run")
    trials = tmp_path / "run" / "trials.csv"
    header, *rows = trials.read_text().splitlines()
    trials.write_text("\n".join([f"{header},{old}", *(f"{row},slow" for row in rows)]) + "\n")

    assert set(read_run(tmp_path / "run").trials[old]) == {"slow"}


def test_todays_names_stay() -> None:
    entries, _, _ = decode((GOLDEN / "schema-2" / "journal.jsonl").read_bytes().splitlines(keepends=True))
    assert all(in_todays_names(entry.body) == entry.body for entry in entries)
