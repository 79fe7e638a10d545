"""From a run's journal to its tables: rows are made again from the records, as often as one likes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from orchestrator.decide.events import Conducted
from orchestrator.decide.journal_lines import Entry
from orchestrator.decide.machine import BROKEN_OFF
from orchestrator.decide.replay import replay
from orchestrator.decide.state import RunState
from orchestrator.decide.verdict.judge import Verdict, judge
from orchestrator.results.interval_index import IntervalIndex, read_story

Json = dict[str, Any]


def judged_records(entries: list[Entry]) -> tuple[RunState, list[tuple[Json, Verdict]]]:
    """(the run's state, each trial's last record with its verdict, in the order of the schedule).

    A trial that ended without a record (skipped, broken off) gets an empty one, so that its row is not missing. A
    mark that a person set afterwards makes a valid trial suspect.
    """
    state, _ = replay(entries)
    records = {
        entry.body["position"]: entry.body["record"]
        for entry in entries
        if entry.kind == "event" and entry.body["event"] == Conducted.__name__
    }
    judged: list[tuple[Json, Verdict]] = []
    for trial in state.schedule:
        outcome = state.outcomes.get(trial.position)
        if outcome is None:
            continue
        record = records.get(trial.position) if BROKEN_OFF not in outcome["doubts"] else None
        verdict = judge(record) if record else Verdict(outcome["status"], tuple(outcome["doubts"]), outcome["reason"])
        judged += _with_steps(record or _empty_record(state, trial.position), _marked(state, trial.position, verdict))
    return state, judged


def _with_steps(record: Json, verdict: Verdict) -> list[tuple[Json, Verdict]]:
    """A searched trial as its steps and its confirming trial; any other trial as it is."""
    search = record.get("search")
    if not search:
        return [(record, verdict)]
    steps = [
        {**record, "role": "search", "search": None, "first": step["first"], "second": step["second"]}
        for step in search["steps"]
        if not step["full_length"]
    ]
    reason = "; ".join(filter(None, (verdict.reason, search["answer"]["sentence"])))
    return [
        *((step, judge(step)) for step in steps),
        ({**record, "role": "confirm"}, Verdict(verdict.status, verdict.doubts, reason)),
    ]


def _marked(state: RunState, position: int, verdict: Verdict) -> Verdict:
    reason = state.marks.get(position)
    if not reason or verdict.status != "valid":
        return verdict
    return Verdict("suspect", (*verdict.doubts, "marked_by_hand"), f"marked by hand: {reason}")


def _empty_record(state: RunState, position: int) -> Json:
    trial = state.trial(position)
    cell = state.setup.cell(trial.cell)
    return {
        "trial": position,
        "attempt": state.outcomes[position].get("attempt", 0),
        "cell": trial.cell,
        "replicate": trial.replicate,
        "block": trial.block,
        "whole_plot": trial.whole_plot,
        "position": position,
        "role": trial.role,
        "link": cell.link,
        "levels": dict(cell.levels),
        "traffic": dict(cell.traffic),
        "started_at": None,
        "link_facts": None,
        "settings": {},
        "ready": {},
        "path": None,
        "first": None,
        "second": None,
        "after": {},
        "settle_s": None,
        "overhead_s": None,
        "error": None,
        "beside": [{"link": link} for link in cell.links[1:]],
    }


def read_judged(journal: Path) -> tuple[RunState, list[tuple[Json, Verdict]], IntervalIndex]:
    """The same, from the journal's file, and where its intervals stand; a torn tail is left out."""
    entries, index = read_story(journal)
    return *judged_records(entries), index
