"""More goodput than the ceiling: a bucket's gift once, a wrong rate when trials agree or nothing else explains it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from orchestrator.decide.verdict.above_ceiling import AGREEING_TRIALS, HELD_S, fills, fills_before
from orchestrator.decide.verdict.judge import judge
from orchestrator.planning.order import Trial
from tests.decide.records import healthy_record


def short_record(
    fill: float,
    *,
    window_s: float = 1.0,
    before: list[float] | None = None,
    role: str = "measure",
    edge_error_ratio: float = 0.0,
) -> dict[str, Any]:
    """A healthy trial whose link brought `fill` times its ceiling in a short window."""
    record = healthy_record(load=0.9999)
    received, sent = record["second"]["parts"][0], record["first"]["parts"][0]
    octets = fill / fills(record)["uplink transmit"] * received["goodput_bytes"] * window_s / received["window_s"]
    received |= {
        "window_s": window_s,
        "goodput_bytes": round(octets),
        "series": [],
        "edge_error_bytes": round(edge_error_ratio * octets),
    }
    sent |= {"window_s": window_s}
    return record | {"role": role, "fills_before": {"uplink transmit": before or []}}


@pytest.mark.parametrize("fill", [1.005, 1.021, 1.04])
def test_one_second_above_the_stated_rate_is_noted_and_does_not_question_it(fill: float) -> None:
    verdict = judge(short_record(fill))
    assert (verdict.status, verdict.doubts) == ("valid", ("above_ceiling_once",))
    assert "put the right" not in verdict.reason
    assert "token bucket" in verdict.reason


@pytest.mark.parametrize("fill", [1.01, 1.021, 1.5, 7.0])
def test_rehearsal_seconds_never_blame_the_rate(fill: float) -> None:
    verdict = judge(short_record(fill, role="rehearse", before=[fill] * 5))
    assert verdict.status == "valid"
    assert not {"fill_above_one", "above_ceiling_once"} & set(verdict.doubts)


def test_a_rate_is_questioned_when_every_trial_of_the_cell_is_above_it_and_the_sentence_says_so() -> None:
    verdict = judge(short_record(1.021, before=[1.02] * (AGREEING_TRIALS - 1)))
    assert "fill_above_one" in verdict.doubts
    assert verdict.status == "suspect"
    assert f"as in each of the {AGREEING_TRIALS - 1} trials of this cell before" in verdict.reason


def test_one_trial_that_was_not_above_the_rate_clears_it() -> None:
    assert judge(short_record(1.021, before=[1.02, 1.02, 0.9995, 1.02])).status == "valid"
    assert judge(short_record(1.021, before=[1.02] * (AGREEING_TRIALS - 2))).status == "valid"


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_more_than_any_queue_gives_back_is_questioned_at_once(window_s: float) -> None:
    at_most = 1.003 + HELD_S / window_s
    assert "fill_above_one" not in judge(short_record(at_most - 1e-4, window_s=window_s)).doubts
    assert "fill_above_one" in judge(short_record(at_most + 1e-3, window_s=window_s)).doubts


def test_what_the_edges_leave_unknown_is_not_held_against_the_rate() -> None:
    verdict = judge(short_record(1.021, edge_error_ratio=0.02))
    assert verdict.doubts == ("edges_uncertain",)
    assert verdict.status == "valid"


def test_records_of_earlier_versions_are_judged_without_what_they_lack() -> None:
    record = short_record(1.021)
    del record["fills_before"], record["role"], record["second"]["parts"][0]["edge_error_bytes"]
    assert judge(record).doubts == ("above_ceiling_once",)


@dataclass
class _Run:
    """As much of a run's state as is asked for."""

    schedule: tuple[Trial, ...]
    outcomes: dict[int, dict[str, Any]] = field(default_factory=dict)

    def trial(self, position: int) -> Trial:
        return next(trial for trial in self.schedule if trial.position == position)


def test_fills_of_the_same_cell_count_and_the_rehearsal_s_do_not() -> None:
    schedule = tuple(
        Trial(position, cell, 0, 0, 0, role)
        for position, cell, role in (
            (-1, 1, "rehearse"),
            (1, 1, "measure"),
            (2, 2, "measure"),
            (3, 1, "measure"),
            (4, 1, "measure"),
        )
    )
    run = _Run(schedule, {position: {"fill": {"uplink transmit": 1 + position / 1000}} for position in (-1, 1, 2, 3)})
    del run.outcomes[3]["fill"]  # of an earlier version
    assert fills_before(run, 4) == {"uplink transmit": [1.001]}  # type: ignore[arg-type]
