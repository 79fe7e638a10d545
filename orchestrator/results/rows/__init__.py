"""From a trial's record to the rows of every table. Pure; what a row cannot have is empty (None), never zero."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.results.columns import FACTORS_HERE, TABLES, names
from orchestrator.results.rows.detail import counter_rows, series_rows, watch_rows
from orchestrator.results.rows.hosts import host_rows
from orchestrator.results.rows.trials import trial_rows


def _in_order(table: str) -> tuple[str, ...]:
    return tuple(column.name for column in TABLES[table])


# <factors> stands where the plan's factors go: `trial_columns` puts them there.
TRIAL_COLUMNS = _in_order("trials.csv")
HOST_COLUMNS = _in_order("hosts.csv")
SERIES_COLUMNS = _in_order("series.csv.gz")
WATCH_COLUMNS = _in_order("watch.csv.gz")
COUNTER_COLUMNS = _in_order("counters.csv.gz")


def trial_columns(factors: Sequence[str]) -> list[str]:
    """The columns of trials.csv for a plan with these factors."""
    return names("trials.csv", factors)


__all__ = [
    "COUNTER_COLUMNS",
    "FACTORS_HERE",
    "HOST_COLUMNS",
    "SERIES_COLUMNS",
    "TRIAL_COLUMNS",
    "WATCH_COLUMNS",
    "counter_rows",
    "host_rows",
    "series_rows",
    "trial_columns",
    "trial_rows",
    "watch_rows",
]
