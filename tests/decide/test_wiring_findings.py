"""The wiring proof accuses a cable only when its frames were heard somewhere else."""

from __future__ import annotations

from orchestrator.decide.findings import LinkNeed, Wire, wiring_findings

DOME, HALL, SPARE = ("dome", "eth1"), ("hall", "eth1"), ("hall", "eth2")
UPLINK = LinkNeed("uplink", (DOME, HALL))


def test_ends_that_hear_each_other_are_no_finding() -> None:
    assert wiring_findings([Wire(DOME, HALL), Wire(HALL, DOME)], [UPLINK]) == []


def test_an_end_heard_at_another_interface_stops_the_plan_and_names_it() -> None:
    (found,) = wiring_findings([Wire(DOME, SPARE)], [UPLINK])
    assert (found.code, found.severity, found.host, found.subject) == ("wired_elsewhere", "stops", "dome", "eth1")
    assert "hall:eth2" in found.seen
    assert "hall:eth1" in found.seen
    assert "hall eth2" in found.what_to_do


def test_an_end_on_one_segment_with_both_interfaces_is_wired_as_the_plan_says() -> None:
    assert wiring_findings([Wire(DOME, HALL), Wire(DOME, SPARE)], [UPLINK]) == []


def test_silence_accuses_nobody() -> None:
    """A router passes no broadcast, and a path without an answer is told by its own proof."""
    assert wiring_findings([], [UPLINK]) == []
    assert wiring_findings([Wire(HALL, DOME)], [UPLINK]) == []
