"""Links that ran at once: their sum as a row beside theirs, in memory only. trials.csv keeps one row per link and way.

The sum's `link` is the links' names joined by +, as the plan spells them. Where a link has no figure the sum has none.
"""

from __future__ import annotations

import pandas as pd

from orchestrator.metrics.loss import loss_ratio
from orchestrator.planning.together import PLUS, TOGETHER, links_text

_TRIAL = ["trial", "attempt", "role", "position"]
_ADDED = (
    "goodput_bit_s",
    "intended_load_bit_s",
    "offered_load_bit_s",
    "ceiling_bit_s",
    "frames_s",
    "sent_bytes",
    "received_bytes",
    "datagrams_sent",
    "datagrams_received",
    "datagrams_lost",
    "lost_sender_queue",
    "lost_sender_interface",
    "lost_between",
    "lost_receiver_interface",
    "lost_backlog",
    "lost_socket",
    "datagrams_reordered",
    "datagrams_duplicate",
    "datagrams_unexpected",
    "segments_sent",
    "segments_retransmitted",
    "pause_frames",
    "cross_traffic_bytes",
)
_ALIKE = (
    "run_id",
    "plan",
    *_TRIAL,
    "cell",
    "replicate",
    "block",
    "whole_plot",
    "way",
    "status",
    "doubts",
    "reason",
    "started_at",
    "seconds",
)


def with_sums(trials: pd.DataFrame) -> pd.DataFrame:
    """The rows of trials.csv, and after them one per trial and way for the links that ran at once."""
    if TOGETHER not in trials.columns or not len(trials):
        return trials
    several = trials.groupby([*_TRIAL, "way"], dropna=False)["link"].transform("size") > 1
    # the steps of a search are rows of one trial as well, but of one link, which `together` says
    at_once = trials[several & ~trials[TOGETHER].isin(("", "alone"))]
    if not len(at_once):
        return trials
    sums = [_sum(rows) for _, rows in at_once.groupby([*_TRIAL, "way"], sort=False, dropna=False)]
    added = pd.DataFrame(sums, columns=trials.columns).astype(trials.dtypes.to_dict())
    return pd.concat([trials, added], ignore_index=True)


def _sum(rows: pd.DataFrame) -> dict[str, object]:
    """One row for the links of one trial and way."""
    first = rows.iloc[0]
    kept = [name for name in (*_ALIKE, *_factors(rows)) if name in rows.columns]
    total: dict[str, object] = {str(name): "" if isinstance(first[name], str) else None for name in rows.columns}
    total |= {name: first[name] for name in kept}
    total |= {name: rows[name].sum() for name in _ADDED if name in rows.columns and rows[name].notna().all()}
    total["link"] = links_text(rows["link"].tolist())
    for end in ("sender", "receiver"):
        total[end] = links_text(list(dict.fromkeys(rows[end])))
        if rows[end].nunique() == 1:
            total |= _busiest(rows, end)
    total["fill"] = _ratio(total.get("goodput_bit_s"), total.get("ceiling_bit_s"))
    total["loss_ratio"] = _loss_ratio(rows)
    return total


_OF_A_PROCESS = (
    "process_cpu_share",
    "process_wait_share",
    "throttled_ratio",
    "clock_share",
    "busiest_core",
    "busiest_core_busy",
    "busiest_core_softirq",
)


def _busiest(rows: pd.DataFrame, end: str) -> dict[str, object]:
    """What one host spent on all its links: its cores are the same in each row, its busiest process is the limit."""
    names = [name for name in (f"{end}_{figure}" for figure in _OF_A_PROCESS) if name in rows.columns]
    load = rows[[name for name in names if "process" in name]].fillna(0.0).sum(axis="columns")
    busiest = rows.iloc[int(load.to_numpy(dtype=float).argmax())]
    return {name: busiest[name] for name in names if pd.notna(busiest[name])}


def _factors(rows: pd.DataFrame) -> list[str]:
    from orchestrator.results.columns import factors_in

    return factors_in("trials.csv", list(rows.columns))


def _loss_ratio(rows: pd.DataFrame) -> float | None:
    """Lost / handed over, of all links: each ratio weighs as much as its link was given."""
    known = rows[["datagrams_lost", "loss_ratio"]]
    if known.isna().any(axis=None):
        return None
    received = int(rows["datagrams_received"].sum())
    return loss_ratio(received + int(known["datagrams_lost"].sum()), received)


def _ratio(part: object, whole: object) -> float | None:
    return float(part) / float(whole) if part is not None and whole is not None and whole != 0 else None  # type: ignore[arg-type]


def is_sum(link: str) -> bool:
    """Whether a row's link is the sum of several."""
    return PLUS in link
