"""The invariants notice what they are there for: each is broken on purpose."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from orchestrator.decide.invariants import broken_invariants
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.shapes.run import Outcome
from orchestrator.decide.state import Flight, Place, RunState, begin
from orchestrator.planning.order import Trial

SETUP = RunSetup("run", "plan", ("dome", "hall"), (), (), (Trial(1, 1, 1, 1, 1),), 1.0, 0.0, 0.0, 10.0, 60.0, 1)
MTU = Place("mtu", "e0")
FAILED: Outcome = {"status": "failed", "doubts": [], "reason": "", "attempt": 1}


def _changed_without_lease(state: RunState) -> None:
    state.hosts["dome"].awaited = "Apply"


def _restored_in_a_trial(state: RunState) -> None:
    state.hosts["dome"].awaited, state.hosts["dome"].token, state.flight = "Restore", 3, Flight(1, 1)


def _outcome_of_no_trial(state: RunState) -> None:
    state.outcomes[9] = FAILED


def _outcome_in_flight(state: RunState) -> None:
    state.flight, state.outcomes[1] = Flight(1, 1), FAILED


def _flight_of_no_trial(state: RunState) -> None:
    state.flight = Flight(9, 1)


def _changed_without_a_before_value(state: RunState) -> None:
    state.hosts["dome"].ours[MTU] = [9000]


def _released_and_held(state: RunState) -> None:
    state.hosts["dome"].released, state.hosts["dome"].token = True, 3


def _bug_that_does_not_stop(state: RunState) -> None:
    state.bug = "an error"


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_changed_without_lease, "without its lease"),
        (_restored_in_a_trial, "while a trial is under way"),
        (_outcome_of_no_trial, "an outcome of a trial that is not in the schedule"),
        (_outcome_in_flight, "a trial under way that has an outcome"),
        (_flight_of_no_trial, "a trial under way that is not in the schedule"),
        (_changed_without_a_before_value, "changed without a before-value"),
        (_released_and_held, "released, but its lease is held"),
        (_bug_that_does_not_stop, "does not stop the run"),
    ],
)
def test_a_broken_state_is_told(spoil: Callable[[RunState], None], words: str) -> None:
    state = begin(SETUP)
    assert broken_invariants(state) == []
    spoil(state)
    assert any(words in sentence for sentence in broken_invariants(state))
