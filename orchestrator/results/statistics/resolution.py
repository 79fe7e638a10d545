"""What a number of replicates can resolve at a known noise: how wide an interval gets, and which change is found."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from orchestrator.faults import PlanError
from orchestrator.results.folder import open_run
from orchestrator.run_files import Folder
from orchestrator.stored import made_of

LEVEL, FOUND = 0.05, 0.90
_LEAST_VALUES = 3  # of a cell whose spread counts


@dataclass(frozen=True)
class Noise:
    """The deviation between replicates over their mean: the median of a run's cells. `run` is the run's folder."""

    run: str
    ratio: float
    cells: int


@dataclass(frozen=True)
class Resolution:
    """Shares of a mean: half of its 95 % interval; the change between two such runs that is found nine times in ten.

    `alone_ratio` is for one cell looked at by itself, `family_ratio` for the first of all cells in Holm's order.
    """

    half_width_ratio: float
    alone_ratio: float
    family_ratio: float


def noise_of(path: str | Path) -> Noise | None:
    """The noise of an earlier run; None when no cell of it has three valid values. PlanError when it is no run."""
    folder = open_run(path)
    if not folder.has("cells.csv"):
        return None
    with made_of(folder.at("cells.csv")):
        rows = csv.DictReader(io.StringIO(folder.text("cells.csv"), newline=""))
        found = [ratio for row in rows if (ratio := _ratio(row)) is not None]
    return Noise(str(path), median(found), len(found)) if found else None


def _ratio(row: dict[str, str]) -> float | None:
    try:
        count, deviation = int(row["n_valid"]), float(row["goodput_deviation_bit_s"])
        mean = float(row["goodput_mean_bit_s"])
    except (KeyError, ValueError, TypeError):
        return None
    return deviation / mean if count >= _LEAST_VALUES and mean > 0 and math.isfinite(deviation / mean) else None


def latest_noise(runs: Path, plan: str) -> Noise | None:
    """The noise of the plan's newest run below a folder, as far as one can be read; folders sort by their time."""
    try:
        names = [name for name in Folder(runs).names() if name.startswith(f"{plan}-") and Folder(runs).has_folder(name)]
    except PlanError:
        return None
    for folder in (runs / name for name in reversed(names)):
        try:
            found = noise_of(folder) if open_run(folder).record().get("plan_name") == plan else None
        except (PlanError, OSError, csv.Error):
            continue
        if found is not None:
            return found
    return None


def resolution(noise_ratio: float, replicates: int, cells: int) -> Resolution | None:
    """What that many replicates of that many cells resolve; None for a single replicate, which has no interval."""
    from scipy import stats

    if replicates < 2:
        return None
    half = float(stats.t.isf(LEVEL / 2, replicates - 1)) / math.sqrt(replicates)
    unit = math.sqrt(2 / replicates)
    alone, family = (unit * _noncentrality(2 * replicates - 2, LEVEL / many) for many in (1, max(1, cells)))
    return Resolution(noise_ratio * half, noise_ratio * alone, noise_ratio * family)


def _noncentrality(degrees: int, level: float) -> float:
    """The difference over its standard error that a two-sided t test finds nine times in ten."""
    from scipy import optimize, stats

    critical = float(stats.t.isf(level / 2, degrees))
    # the other tail is beyond counting where the power is 0.9
    found: float = optimize.brentq(
        lambda shift: float(stats.nct.sf(critical, degrees, shift)) - FOUND, 0.0, 10.0 * critical
    )
    return found
