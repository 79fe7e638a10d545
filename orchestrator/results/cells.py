"""cells.csv: one row per cell, link and way, from the rows of trials.csv.

Only valid rows enter a figure. Suspect, impossible, failed and skipped ones are counted beside it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from orchestrator.results import columns
from orchestrator.results.statistics.summary import Sample, Summary, summarise_all
from orchestrator.words.statuses import NOT_VALID

CELL_COLUMNS = tuple(columns.names("cells.csv"))
# Rows that are not a measurement of the cell as the plan asks for it: the steps of a search lead to its confirming
# trial, and control trials watch the bench.
NOT_OF_THE_CELL = ("search", "control")
_NUMBERS = ("goodput_bit_s", "ceiling_bit_s", "fill", "loss_ratio", "position")


def cells_table(trials: pd.DataFrame, factors: Sequence[str], *, widening: float = 1.0) -> pd.DataFrame:
    """The summary of every cell, link and way; columns as `columns.names("cells.csv", factors)`.

    trials    rows of trials.csv
    widening  how much wider intervals must be because the number of replicates was decided by their spread
    """
    measured = trials[~trials["role"].isin(NOT_OF_THE_CELL)].reset_index(drop=True)
    is_valid = _is_valid(measured).to_numpy()
    by_cell = measured.groupby(["cell", "link", "way"], sort=False, dropna=False)
    groups = [np.asarray(places) for places in by_cell.indices.values()]
    column = {name: measured[name].to_numpy() for name in measured.columns}
    numbers = {name: measured[name].to_numpy(dtype=float, na_value=np.nan) for name in _NUMBERS}
    kept = [places[is_valid[places]] for places in groups]
    summaries = summarise_all(
        [
            Sample(
                numbers["goodput_bit_s"][places],
                column["whole_plot"][places].tolist(),
                numbers["position"][places].tolist(),
            )
            for places in kept
        ],
        widening=widening,
    )
    rows = [
        _row(column, numbers, places, valid, factors) | (_figures(summary) if summary else {})
        for places, valid, summary in zip(groups, kept, summaries, strict=True)
    ]
    table = pd.DataFrame(rows, columns=columns.names("cells.csv", factors))
    return table.sort_values(["cell", "link", "way"], ascending=[True, True, False], ignore_index=True)


def valid_rows(trials: pd.DataFrame) -> pd.DataFrame:
    """The rows that may enter a figure: valid, of the cell itself, with a goodput."""
    return trials[~trials["role"].isin(NOT_OF_THE_CELL) & _is_valid(trials)]


def _is_valid(trials: pd.DataFrame) -> pd.Series:
    return (trials["status"] == "valid") & trials["goodput_bit_s"].notna()


def _row(
    column: Mapping[str, np.ndarray],
    numbers: Mapping[str, np.ndarray],
    places: np.ndarray,
    valid: np.ndarray,
    factors: Sequence[str],
) -> dict[str, Any]:
    """What a cell is and how many of its trials came to what."""
    row = {name: column[name][places[0]] for name in ("cell", "link", "way", "sender", "receiver", *factors)}
    row["n_asked"] = len(set(column["trial"][places]))
    row["n_valid"] = len(valid)
    row["n_noted"] = sum(1 for doubts in column["doubts"][valid] if isinstance(doubts, str) and doubts)
    statuses = Counter(column["status"][places])
    row |= {f"n_{status}": statuses[status] for status in NOT_VALID}
    row["ceiling_bit_s"] = _mean(numbers["ceiling_bit_s"][places])
    row["fill_mean"] = _mean(numbers["fill"][valid])
    row["loss_ratio_mean"] = _mean(numbers["loss_ratio"][valid])
    return row


def _figures(summary: Summary) -> dict[str, Any]:
    interval = summary.interval
    return {
        "goodput_mean_bit_s": summary.mean,
        "goodput_median_bit_s": summary.median,
        "goodput_deviation_bit_s": summary.deviation,
        "goodput_min_bit_s": summary.min,
        "goodput_max_bit_s": summary.greatest,
        # a rate is never below zero, however few values an interval rests on
        "goodput_low_bit_s": max(0.0, interval.low) if interval else None,
        "goodput_high_bit_s": interval.high if interval else None,
        "interval_method": interval.method if interval else "one value has no interval",
        "skewness": summary.skewness,
        "n_outliers": len(summary.outliers),
        "trend_ratio": summary.trend.ratio if summary.trend else None,
        "remarks": " ".join(summary.remarks),
    }


def _mean(values: np.ndarray) -> float | None:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else None
