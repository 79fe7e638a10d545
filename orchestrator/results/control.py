"""What the control trials say: whether the bench itself changed over the run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from orchestrator.results.statistics.summary import TREND_LEVEL, trend


@dataclass(frozen=True)
class Drift:
    """The control trials of one link and way: `ratio` is their change from first to last over their median.

    `ratio` and `p_value` are None where there are fewer than five valid ones, or none differs from the others.
    """

    link: str
    way: str
    cell: int
    n: int
    ratio: float | None
    p_value: float | None

    @property
    def sure(self) -> bool:
        """Chance alone shows such a trend in fewer than one run of a hundred."""
        return self.p_value is not None and self.p_value < TREND_LEVEL


def drifts(trials: pd.DataFrame) -> list[Drift]:
    """One for each link and way that has control trials, whatever became of them."""
    control = trials[trials["role"] == "control"]
    return [_drift(str(link), str(way), rows) for (link, way), rows in control.groupby(["link", "way"], sort=False)]


def _drift(link: str, way: str, rows: pd.DataFrame) -> Drift:
    valid = rows[(rows["status"] == "valid") & rows["goodput_bit_s"].notna()].sort_values("position")
    values = valid["goodput_bit_s"].to_numpy(dtype=float, na_value=np.nan)
    found = trend(values, valid["position"].astype(float).tolist()) if len(values) else None
    return Drift(
        link,
        way,
        int(rows["cell"].iloc[0]),
        len(values),
        found.ratio if found else None,
        found.p_value if found else None,
    )
