"""columns.json says of every column what it means, in which unit, and where it comes from."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from orchestrator.planning.names import RESERVED
from orchestrator.results import columns
from orchestrator.results.columns import FACTORS_HERE, TABLES, describe, factors_in, names, write_columns
from orchestrator.results.read_run import read_run
from orchestrator.stored import SCHEMA_VERSION
from tests.results.synthetic import Scenario, make_run

# What a column's name ends in, and the unit that this promises.
SUFFIXES = {
    "_bit_s": "bit/s",
    "_bytes": "B",
    "_hz": "Hz",
    "_c": "°C",
    "_s_per_gigabyte": "s/GB",
    "_share": "1",
    "_ratio": "1",
    "_s": "s",
}


@pytest.mark.parametrize("table", TABLES)
def test_every_column_has_a_meaning_a_source_and_a_name_of_its_own(table: str) -> None:
    found = TABLES[table]

    assert len({column.name for column in found}) == len(found)
    assert all(column.meaning and column.source for column in found)


@pytest.mark.parametrize("table", TABLES)
def test_the_unit_is_the_one_that_the_name_promises(table: str) -> None:
    for column in TABLES[table]:
        suffix = next((suffix for suffix in SUFFIXES if column.name.endswith(suffix)), None)
        if suffix and column.kind != "text" and column.name != "frames_s":
            assert column.unit == SUFFIXES[suffix], column.name


def test_the_plan_s_factors_stand_where_the_design_puts_them() -> None:
    found = names("trials.csv", ["mtu", "clock"])
    place = found.index("mtu")

    assert (found[place - 1], found[place + 1], found[place + 2]) == ("receiver_interface", "clock", "status")
    assert factors_in("trials.csv", found) == ["mtu", "clock"]
    assert FACTORS_HERE not in found


def test_columns_json_describes_exactly_the_tables_that_are_written(tmp_path: Path) -> None:
    run = make_run(tmp_path, Scenario({"mtu": [1500], "direction": ["transmit"]}, replicates=2))
    data = read_run(run)
    write_columns(run / "columns.json", data.factors)
    described = json.loads((run / "columns.json").read_text())["tables"]

    for table in ("trials.csv", "hosts.csv", "cells.csv"):
        header = (run / table).read_text().partition("\n")[0].split(",")
        assert [column["name"] for column in described[table]] == header
    (mtu,) = [column for column in described["trials.csv"] if column["name"] == "mtu"]
    assert mtu["source"] == "the plan"


def test_the_description_is_plain_json() -> None:
    assert json.loads(json.dumps(describe(["mtu"])))["schema"] == SCHEMA_VERSION
    assert {column.kind for table in columns.TABLES.values() for column in table} == {"text", "whole", "number"}


def test_no_factor_can_take_a_columns_name() -> None:
    """A factor is a column of these tables: with the name of another one it would be overwritten, or overwrite it."""
    columns = {column.name for table in ("trials.csv", "hosts.csv", "cells.csv") for column in TABLES[table]}
    assert columns - RESERVED - {FACTORS_HERE} == set()
