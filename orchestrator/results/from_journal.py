"""From a run's journal to its tables: rows are made again from the records, as often as one likes."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from orchestrator.decide.events import Conducted
from orchestrator.decide.journal_lines import Entry
from orchestrator.decide.machine import BROKEN_OFF
from orchestrator.decide.replay import replay
from orchestrator.decide.shapes.flows import ENDS
from orchestrator.decide.shapes.record import TrialRecord, as_now, new_record
from orchestrator.decide.state import RunState
from orchestrator.decide.verdict.judge import Verdict, judge
from orchestrator.results.interval_index import IntervalIndex, read_story


def judged_records(entries: list[Entry]) -> tuple[RunState, list[tuple[TrialRecord, Verdict]]]:
    """(the run's state, each trial's last record with its verdict, in the order of the schedule).

    A trial that ended without a record (skipped, broken off) gets an empty one, so that its row is not missing. A
    mark that a person set afterwards makes a valid trial suspect.
    """
    state, _ = replay(entries)
    records = {
        entry.body["position"]: as_now(entry.body["record"])
        for entry in entries
        if entry.kind == "event" and entry.body["event"] == Conducted.__name__
    }
    judged: list[tuple[TrialRecord, Verdict]] = []
    for trial in state.schedule:
        outcome = state.outcomes.get(trial.position)
        if outcome is None:
            continue
        record = records.get(trial.position) if BROKEN_OFF not in outcome["doubts"] else None
        verdict = judge(record) if record else Verdict(outcome["status"], tuple(outcome["doubts"]), outcome["reason"])
        judged += _with_steps(record or _empty_record(state, trial.position), _marked(state, trial.position, verdict))
    return state, judged


def _with_steps(record: TrialRecord, verdict: Verdict) -> list[tuple[TrialRecord, Verdict]]:
    """A searched trial as its steps and its confirming trial; any other trial as it is."""
    search = record.get("search")
    if not search:
        return [(record, verdict)]
    steps = [
        cast("TrialRecord", {**record, "role": "search", "search": None, **{end: step[end] for end in ENDS}})
        for step in search["steps"]
        if not step["full_length"]
    ]
    reason = "; ".join(filter(None, (verdict.reason, search["answer"]["sentence"])))
    return [
        *((step, judge(step)) for step in steps),
        (cast("TrialRecord", {**record, "role": "confirm"}), Verdict(verdict.status, verdict.doubts, reason)),
    ]


def _marked(state: RunState, position: int, verdict: Verdict) -> Verdict:
    reason = state.marks.get(position)
    if not reason or verdict.status != "valid":
        return verdict
    return Verdict("suspect", (*verdict.doubts, "marked_by_hand"), f"marked by hand: {reason}")


def _empty_record(state: RunState, position: int) -> TrialRecord:
    trial = state.trial(position)
    return new_record(trial, state.setup.cell(trial.cell), state.outcomes[position].get("attempt", 0))


def read_judged(journal: Path) -> tuple[RunState, list[tuple[TrialRecord, Verdict]], IntervalIndex]:
    """The same, from the journal's file, and where its intervals stand; a torn tail is left out."""
    entries, index = read_story(journal)
    return *judged_records(entries), index
