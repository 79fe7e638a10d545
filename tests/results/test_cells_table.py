"""cells.csv from trials.csv: which rows enter, and what is counted beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from orchestrator.results import columns
from orchestrator.results.cells import cells_table, valid_rows
from orchestrator.results.read_run import read_run
from orchestrator.results.write import write_rows
from tests.results.synthetic import Scenario, make_run


def _trials(rows: list[dict[str, Any]]) -> pd.DataFrame:
    base = {
        "role": "measure",
        "link": "uplink",
        "way": "transmit",
        "sender": "dome",
        "receiver": "hall",
        "status": "valid",
        "doubts": "",
        "cell": 1,
        "mtu": "1500",
        "ceiling_bit_s": 100.0,
        "fill": 0.9,
        "loss_ratio": None,
    }
    frame = pd.DataFrame(
        [{**base, "trial": n, "position": n, "whole_plot": n, "block": n, **row} for n, row in enumerate(rows, 1)]
    )
    return frame.astype({"loss_ratio": "float64", "goodput_bit_s": "float64"})


def test_only_valid_rows_enter_the_mean() -> None:
    table = cells_table(
        _trials(
            [
                {"goodput_bit_s": 90.0},
                {"goodput_bit_s": 92.0, "doubts": "cross_traffic"},
                {"goodput_bit_s": 10.0, "status": "suspect"},
                {"goodput_bit_s": None, "status": "impossible"},
                {"goodput_bit_s": None, "status": "failed"},
                {"goodput_bit_s": None, "status": "skipped"},
            ]
        ),
        ["mtu"],
    )
    row = table.iloc[0]
    assert row["goodput_mean_bit_s"] == 91
    assert [
        row[name] for name in ("n_asked", "n_valid", "n_noted", "n_suspect", "n_impossible", "n_failed", "n_skipped")
    ] == [6, 2, 1, 1, 1, 1, 1]
    assert row["mtu"] == "1500"


def test_a_cell_without_a_valid_row_has_no_figure_rather_than_zero() -> None:
    table = cells_table(_trials([{"goodput_bit_s": None, "status": "impossible"}]), ["mtu"])
    figures = [name for name in table.columns if name.startswith("goodput_")]
    assert table.loc[0, figures].isna().all()


def test_search_steps_and_control_trials_are_not_of_the_cell() -> None:
    trials = _trials(
        [
            {"goodput_bit_s": 50.0, "role": "search"},
            {"goodput_bit_s": 90.0, "role": "confirm"},
            {"goodput_bit_s": 20.0, "role": "control"},
        ]
    )
    table = cells_table(trials, ["mtu"])
    assert table.loc[0, "goodput_mean_bit_s"] == 90
    assert table.loc[0, "n_asked"] == 1
    assert len(valid_rows(trials)) == 1


def test_both_ways_of_a_cell_are_rows_of_their_own_transmit_first() -> None:
    table = cells_table(
        _trials([{"goodput_bit_s": 1.0, "way": "receive"}, {"goodput_bit_s": 2.0, "way": "transmit"}]), ["mtu"]
    )
    assert table["way"].tolist() == ["transmit", "receive"]


def test_trials_of_one_whole_plot_count_as_one_in_the_interval() -> None:
    trials = _trials([{"goodput_bit_s": value} for value in (10.0, 10.1, 12.0, 12.1)])
    trials["whole_plot"] = [1, 1, 2, 2]
    assert cells_table(trials, ["mtu"]).loc[0, "interval_method"] == "t, n 2"


def test_the_table_has_the_columns_that_columns_json_describes(tmp_path: Path) -> None:
    run = read_run(make_run(tmp_path, Scenario(series=False)))
    table = cells_table(run.trials, run.factors)
    assert list(table.columns) == columns.names("cells.csv", run.factors)
    write_rows(tmp_path / "cells.csv", list(table.columns), table.to_dict("records"))
    expected = run.trials[run.trials["status"] == "valid"].groupby(["cell", "way"])["goodput_bit_s"].mean()
    for _, row in table.iterrows():
        assert row["goodput_mean_bit_s"] == pytest.approx(expected[row["cell"], row["way"]])
        assert row["goodput_low_bit_s"] <= row["goodput_mean_bit_s"] <= row["goodput_high_bit_s"]
    assert table["n_asked"].tolist() == [5] * len(table)


def test_an_interval_of_two_wild_values_does_not_reach_below_zero() -> None:
    row = cells_table(_trials([{"goodput_bit_s": 10.0}, {"goodput_bit_s": 90.0}]), ["mtu"]).iloc[0]
    assert row["goodput_low_bit_s"] == 0
    assert row["goodput_high_bit_s"] == pytest.approx(50 + 12.7062 * 40, rel=1e-5)  # t table, 1 degree of freedom


def test_no_trials_make_an_empty_table() -> None:
    trials = _trials([{"goodput_bit_s": 1.0}])
    assert len(cells_table(trials.iloc[:0], ["mtu"])) == 0
