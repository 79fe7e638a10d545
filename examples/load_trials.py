"""A run's trials in pandas, cell by cell as in a notebook: editors show the `# %%` marks as cells.

`.venv/bin/python examples/load_trials.py runs/dome-to-hall-...`; without an argument, the newest run in `runs`.
"""

# %%
import json
import sys
from pathlib import Path

import pandas as pd

run = Path(sys.argv[1]) if len(sys.argv) > 1 else max(Path("runs").iterdir(), key=lambda folder: folder.stat().st_mtime)
trials = pd.read_csv(run / "trials.csv")

# %% The factors are whatever this plan varied; every other column is described in columns.json.
record = json.loads((run / "run.json").read_text())
factors = [name for name in record["cells"][0]["levels"] if name in trials]
print(f"{record['plan_name']}: {len(trials)} rows, factors {', '.join(factors)}")

# %% Only valid trials enter a mean: a suspect one was measured under conditions that its cell does not claim.
print(trials["status"].value_counts().to_string(), end="\n\n")
valid = trials[trials["status"] == "valid"]

# %% The matrix, in Gbit/s, and how much of what the framing allows was reached.
by_cell = valid.groupby([*factors, "way"], dropna=False)
table = by_cell.agg(
    n=("goodput_bit_s", "size"),
    goodput_gbit_s=("goodput_bit_s", lambda rate: rate.mean() / 1e9),
    spread=("goodput_bit_s", lambda rate: rate.std() / rate.mean()),
    fill=("fill", "mean"),
)
print(table.round(4).to_string(), end="\n\n")

# %% What one level brings against another, everything else being equal. Ratios, because rates multiply.
if "mtu" in factors and valid["mtu"].nunique() > 1:
    others = [name for name in [*factors, "way"] if name != "mtu"]
    wide = valid.pivot_table(index=others, columns="mtu", values="goodput_bit_s")
    low, high = wide.columns.min(), wide.columns.max()
    print(f"mtu {high} against {low}:")
    print((wide[high] / wide[low]).round(3).to_string(), end="\n\n")

# %% The hosts' side of it: a process that waits for its quota, or a core that is full, is no fault of the link.
hosts = pd.read_csv(run / "hosts.csv").merge(
    trials[["trial", "attempt", *factors]].drop_duplicates(), on=["trial", "attempt"]
)
shown = [name for name in ("busiest_core_busy", "throttled_ratio", "clock_mean_hz") if name in hosts]
print(hosts.groupby(["host", *factors], dropna=False)[shown].mean().round(3).to_string())
