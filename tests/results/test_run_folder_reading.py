"""A run's folder may come from anybody: every read is bounded, and what is broken is named."""

from __future__ import annotations

import gzip
import json
import os
from pathlib import Path

import pandas as pd
import pytest

from orchestrator.faults import PlanError
from orchestrator.results.folder import FILES, open_run
from orchestrator.results.read_run import read_run, read_table, read_trials
from orchestrator.stored import SCHEMA_VERSION
from tests.results.synthetic import Scenario, make_run


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return make_run(tmp_path, Scenario({"mtu": [1500, 9000], "direction": ["transmit"]}, replicates=2))


def code_of(path: Path) -> str:
    with pytest.raises(PlanError) as caught:
        read_run(path)
    assert path.name in caught.value.message
    return caught.value.code


def test_one_line_reads_the_trials(run: Path) -> None:
    trials = read_trials(run)

    assert len(trials) == 4
    assert trials["goodput_bit_s"].dtype == "float64"
    assert trials["datagrams_lost"].isna().all()
    assert trials["trial"].tolist() == [1, 2, 3, 4]


def test_a_run_without_its_optional_tables_reads_as_empty_ones(run: Path) -> None:
    for name in ("hosts.csv", "cells.csv", "series.csv.gz", "watch.csv.gz", "counters.csv.gz"):
        (run / name).unlink()

    data = read_run(run)

    assert (len(data.hosts), len(data.cells)) == (0, 0)
    assert list(read_table(data.folder, "series.csv.gz").columns)[:2] == ["trial", "attempt"]
    assert data.factors == ("mtu", "direction")


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("", "run_file_broken"),
        ("{", "run_file_broken"),
        ("[]", "run_schema"),
        ("{}", "run_schema"),
        ('{"schema": true}', "run_schema"),
        ('{"schema": 0}', "run_schema"),
        ('{"schema": "1"}', "run_schema"),
        (json.dumps({"schema": SCHEMA_VERSION + 1}), "run_schema"),
        ("[" * 100_000, "run_file_broken"),
        ('{"schema": 1, "x": ' + "[" * 80 + "]" * 80 + "}", "run_file_broken"),
    ],
)
def test_a_broken_or_newer_run_json_is_named(run: Path, content: str, code: str) -> None:
    (run / "run.json").write_text(content)

    assert code_of(run) == code


def test_no_folder_and_no_run_are_told_apart_from_a_broken_one(tmp_path: Path) -> None:
    assert code_of(tmp_path / "nothing") == "no_run"
    assert code_of(tmp_path) == "no_run"


def test_a_link_that_leaves_the_folder_is_not_followed(run: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("trial\n1\n")
    (run / "trials.csv").unlink()
    (run / "trials.csv").symlink_to(tmp_path / "secret.csv")

    assert not open_run(run).has("trials.csv")
    with pytest.raises(PlanError, match="is a link, which is not followed"):
        open_run(run).open_read("trials.csv")


def test_a_pipe_does_not_hang_the_reader(run: Path) -> None:
    (run / "trials.csv").unlink()
    os.mkfifo(run / "trials.csv")

    with pytest.raises(PlanError, match="not a regular file"):
        open_run(run).open_read("trials.csv")


def test_a_file_above_the_bound_is_refused(run: Path) -> None:
    with pytest.raises(PlanError, match="more than the 10"):
        open_run(run).open_read("trials.csv", most_bytes=10)


def test_a_small_file_that_unpacks_to_a_large_one_is_cut_at_a_line(run: Path) -> None:
    (run / "series.csv.gz").write_bytes(gzip.compress(b"trial,attempt\n" + b"1,1\n" * 1_000_000))
    data = open_run(run).unpacked("series.csv.gz", max_bytes=100_001)

    assert 99_000 < len(data) <= 100_001
    assert data.endswith(b"1,1\n")


def test_a_torn_last_member_loses_only_itself(run: Path) -> None:
    whole = gzip.compress(b"trial,attempt\n1,1\n")
    torn = gzip.compress(b"2,1\n" * 1000)[:30]
    (run / "series.csv.gz").write_bytes(whole + torn)

    assert open_run(run).unpacked("series.csv.gz") == b"trial,attempt\n1,1\n"


@pytest.mark.parametrize(
    "content",
    [
        "trial,trial\n1,1\n",
        "trial,seconds\n1,fast\n",
        "trial\n" + "x" * 50 + "\n",
        ",".join(f"c{number}" for number in range(2000)) + "\n",
    ],
)
def test_a_broken_table_is_named(run: Path, content: str) -> None:
    (run / "trials.csv").write_text(content)

    assert code_of(run) == "run_file_broken"


def test_a_host_called_na_keeps_its_name(run: Path) -> None:
    trials = pd.read_csv(run / "trials.csv", dtype=str, keep_default_na=False)
    trials["sender"], trials["reason"] = "NA", "null"
    trials.to_csv(run / "trials.csv", index=False)

    read = read_trials(run)

    assert set(read["sender"]) == {"NA"}
    assert set(read["reason"]) == {"null"}


def test_every_file_of_a_run_is_described() -> None:
    """What a run leaves, the rehearsal, and attempts that came to no end."""
    left = {
        "rehearsal.csv",
        "broken-off.csv",
        "plan.yaml",
        "run.json",
        "survey-before.json",
        "survey-after.json",
        "journal.jsonl",
        "trials.csv",
        "hosts.csv",
        "cells.csv",
        "series.csv.gz",
        "watch.csv.gz",
        "counters.csv.gz",
        "columns.json",
        "log.txt",
        "report.html",
        "report.md",
    }
    assert left == set(FILES)


def test_columns_that_are_not_written_yet_are_empty(run: Path) -> None:
    trials = pd.read_csv(run / "trials.csv", dtype=str, keep_default_na=False)
    trials.drop(columns=["goodput_bit_s", "reason", "source_port"]).to_csv(run / "trials.csv", index=False)

    read = read_run(run)

    assert read.trials["goodput_bit_s"].isna().all()
    assert read.trials["source_port"].isna().all()
    assert set(read.trials["reason"]) == {""}
    assert read.factors == ("mtu", "direction")


def test_a_table_that_is_made_to_fill_the_memory_is_refused(run: Path) -> None:
    (run / "series.csv.gz").write_bytes(gzip.compress(b"trial,attempt\n" + b"1,1\n" * (10 << 20)))
    with pytest.raises(PlanError, match="unpacks to more than 200 times its size"):
        open_run(run).unpacked("series.csv.gz")
