"""More goodput than the wire carries: when that is what a queue gave back, and when the rate is in question. Pure.

A token bucket or a queue on the way may hold something when a window begins and give it back within it: so much more
than its rate a healthy link carries once. A rate that the plan states, or that both ends read, is in question only when
no bucket explains one window, or when the trials of a cell agree.
"""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.state import RunState
from orchestrator.decide.verdict.doubts import Found, found, rate
from orchestrator.decide.verdict.evidence import Way, each_link, ways

FILL_MOST = 1.003  # a clock may be 100 ppm off and a window 0.1 %
HELD_S = 0.05  # of the link's time, in a bucket or queue on the way: common practice, no source
AGREEING_TRIALS = 3  # of one cell, this one among them


def above_ceiling(way: Way) -> Iterator[Found]:
    """The doubt about one way's fill. The rehearsal's second says nothing of a rate: the trials do."""
    if way.fill is None or way.role == "rehearse":
        return
    excess = way.fill - FILL_MOST - (way.edge_error_ratio or 0.0)
    if excess <= 0:
        return
    window_s = float(way.receive["window_s"])
    values = {
        "fill": f"{way.fill:.4g}",
        "rate": rate(way.link_facts["rate_bit_s"] or 0.0),
        "window_s": f"{window_s:.3g}",
    }
    before = [fill for fill in way.fills_before if fill > FILL_MOST]
    if excess > HELD_S / window_s:
        yield found("fill_above_one", **values, why=f"more than queues on the way can give back in {window_s:.3g} s")
    elif len(before) == len(way.fills_before) >= AGREEING_TRIALS - 1:
        yield found("fill_above_one", **values, why=f"as in each of the {len(before)} trials of this cell before")
    else:
        yield found("above_ceiling_once", **values, held=f"{1e3 * (way.fill - 1) * window_s:.2g}")


def fills(record: TrialRecord) -> dict[str, float]:
    """Goodput / ceiling of each link and way of a trial that has one."""
    return {_key(one, way): way.fill for one in each_link(record) for way in ways(one) if way.fill is not None}


def fills_before(state: RunState, position: int) -> dict[str, list[float]]:
    """Link and way -> the fills of the trials of the same cell that a run has measured before a trial."""
    cell, found_before = state.trial(position).cell, dict[str, list[float]]()
    for trial in state.schedule:
        outcome = state.outcomes.get(trial.position)
        if trial.cell != cell or trial.role == "rehearse" or trial.position == position or outcome is None:
            continue
        for key, fill in (outcome.get("fill") or {}).items():
            found_before.setdefault(key, []).append(float(fill))
    return found_before


def _key(record: TrialRecord, way: Way) -> str:
    return f"{record.get('link')} {way.way}"
