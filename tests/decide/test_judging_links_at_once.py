"""A trial on several links at once is worth what the worst of them is worth, and says which one it was."""

from __future__ import annotations

import pytest

from orchestrator.decide.verdict.evidence import each_link, goodputs
from orchestrator.decide.verdict.judge import judge
from orchestrator.results.rows import counter_rows, host_rows, series_rows, trial_rows, watch_rows
from tests.decide.records import healthy_record

PARTS = ("link_facts", "ready", "path", "first", "second", "after")
RUN = {"run_id": "r", "plan_name": "p"}


def together(first, second):
    """One record of two: the second link's part stands beside the first."""
    return {**first, "beside": [{"link": "spare", **{name: second[name] for name in PARTS}}]}


def test_two_healthy_links_are_a_valid_trial_with_a_row_each():
    record = together(healthy_record(seed=1), healthy_record(seed=2))
    verdict = judge(record)
    assert (verdict.status, verdict.reason) == ("valid", "")
    assert [(row["link"], row["way"]) for row in trial_rows(record, verdict, RUN)] == [
        ("uplink", "transmit"),
        ("spare", "transmit"),
    ]
    assert set(goodputs(record)) == {"uplink transmit", "spare transmit"}
    assert [row["link"] for row in host_rows(record, verdict, RUN)] == ["uplink", "uplink", "spare", "spare"]


def test_each_host_is_watched_once_and_every_links_counters_are_kept():
    record = together(healthy_record(seed=1), healthy_record(seed=2))
    alone = healthy_record(seed=1)
    assert watch_rows(record) == watch_rows(alone)
    assert len(counter_rows(record)) > len(counter_rows(alone))
    assert {row["link"] for row in series_rows(record)} <= {"uplink", "spare"}


@pytest.mark.parametrize("which", [0, 1])
def test_a_link_that_gave_nothing_fails_the_trial_and_is_named(which: int):
    records = [healthy_record(seed=1), healthy_record(seed=2)]
    records[which]["second"] = None
    verdict = judge(together(*records))
    assert verdict.status == "failed"
    assert verdict.reason.startswith(("uplink: ", "spare: ")[which])


def test_a_path_that_is_too_small_is_the_cause_although_the_other_link_then_gave_no_result():
    first, second = healthy_record(seed=1), healthy_record(seed=2)
    first["first"] = first["second"] = second["first"] = second["second"] = None
    second["path"] = {"verdict": "too_small", "sentence": "the path carries 1500"}
    verdict = judge(together(first, second))
    assert (verdict.status, verdict.reason) == ("impossible", "spare: the path carries 1500")


def test_a_link_that_lost_its_carrier_makes_the_whole_trial_suspect():
    first, second = healthy_record(seed=1), healthy_record(seed=2)
    second["first"]["counters"]["after"]["interface.carrier_changes"] += 2
    verdict = judge(together(first, second))
    assert verdict.status == "suspect"
    assert "carrier_lost" in verdict.doubts


def test_one_link_is_judged_as_ever():
    record = healthy_record(seed=3)
    (only,) = each_link(record)
    assert only["at_once"] == 1
    assert {name: only[name] for name in record} == record
