"""A report made by hand, cell by cell, for tests of what is said about it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from orchestrator.report.model import CellResult, Factor, Report
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder
from orchestrator.results.read_run import RunData
from orchestrator.words.statuses import STATUSES


def cell(number: int, levels: dict[str, str], mean_bit_s: float | None = 1e9, **other: Any) -> CellResult:
    """A cell of link uplink, transmit unless said otherwise."""
    way = other.get("way", "transmit")
    ends = ("dome", "hall") if way == "transmit" else ("hall", "dome")
    counts = dict.fromkeys(STATUSES, 0) | other.get("counts", {"valid": 5})
    return CellResult(
        number=number,
        link=other.get("link", "uplink"),
        way=way,
        sender=ends[0],
        receiver=ends[1],
        levels=levels,
        asked=other.get("asked", 5),
        counts=counts,
        noted=other.get("noted", 0),
        mean_bit_s=mean_bit_s,
        low_bit_s=None if mean_bit_s is None else mean_bit_s * 0.99,
        high_bit_s=None if mean_bit_s is None else mean_bit_s * 1.01,
        ceiling_bit_s=2.4e9,
        fill=None if mean_bit_s is None else mean_bit_s / 2.4e9,
        loss_ratio=other.get("loss_ratio"),
        reason=other.get("reason", ""),
    )


def made(cells: list[CellResult], factors: dict[str, tuple[str, ...]], run: dict[str, Any] | None = None) -> Report:
    """A report of these cells; its trials are one valid row per cell."""
    rows = [
        {
            "trial": one.number,
            "cell": one.number,
            "link": one.link,
            "way": one.way,
            "role": "measure",
            "status": "valid" if one.valid else one.state,
            **one.levels,
        }
        for one in cells
    ]
    trials = pd.DataFrame(rows, columns=columns.names("trials.csv", list(factors)))
    empty = pd.DataFrame()
    data = RunData(
        RunFolder(Path("runs/made")), {"plan_name": "made", **(run or {})}, trials, empty, empty, tuple(factors)
    )
    return Report(
        data,
        tuple(Factor(name, levels) for name, levels in factors.items()),
        tuple(cells),
        (),
        tuple(dict.fromkeys(one.link for one in cells)),
    )
