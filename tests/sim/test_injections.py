"""An error at any await and any function of the controller: never a hang, exit code 4 or 5, hosts as found or named.

A drawn sample; `bash tests/proofs.sh injections SEED COUNT` plays as many as wanted.
"""

from __future__ import annotations

import gc
import itertools
from collections import Counter
from collections.abc import Iterator

import pytest

from orchestrator.decide.invariants import broken_invariants
from tests.sim.injections import AWAITS_OF, Case, Place, all_awaits, cases, play, verdict
from tests.sim.sim import Night

SEED, SAMPLE = 11, 16
pytestmark = pytest.mark.filterwarnings("ignore:coroutine")  # raised on the line of an await, what it waits for is not


@pytest.fixture(scope="module")
def visits() -> dict[str, Counter[Place]]:
    return {scene: play(scene)[1].visits for scene in ("undisturbed", "sessions lost")}


@pytest.fixture(autouse=True)
def garbage_of_each_test() -> Iterator[None]:
    """Coroutines that nobody came to wait for say so here, and not in whichever test comes later."""
    yield
    gc.collect()


def test_an_error_anywhere_in_the_controller_ends_a_run_in_order(visits: dict[str, Counter[Place]]):
    broken = {str(case): found for case in itertools.islice(cases(SEED, visits), SAMPLE) if (found := verdict(case))}
    assert broken == {}


@pytest.mark.parametrize("function", ["__aexit__", "_take_intervals", "_listen", "_traffic", "unless_changed"])
def test_an_error_in_a_trial_that_was_given_up_is_not_lost(function: str):
    """The trial was ended on purpose, and by its own error at the same time."""
    found = play("interrupted")[1].visits
    broken = {}
    for place, visits in found.items():
        if place.function == function:
            for visit in range(max(1, visits - 2), visits + 1):  # the last ones belong to the trial that is given up
                case = Case("interrupted", place, visit, "KeyError")
                if wrong := verdict(case):
                    broken[str(case)] = wrong
    assert broken == {}


def test_most_awaits_of_the_controller_are_come_to(visits: dict[str, Counter[Place]]):
    """The places are those of the code: one that is added is injected into without being listed anywhere."""
    places = {place for found in visits.values() for place in found}
    awaits = {(place.file, place.line) for place in places if place.kind == "await"}
    assert awaits <= all_awaits()
    assert len(places) > 250
    assert {file for file, _ in awaits} >= {str(path) for path in AWAITS_OF if path.name in ("runner.py", "conduct.py")}


def test_a_lost_error_would_be_found(visits: dict[str, Counter[Place]], monkeypatch: pytest.MonkeyPatch):
    """The referee itself: a controller that swallows what a trial raises is not let pass."""
    from orchestrator.act.runner import Runner

    place = next(place for place in visits["undisturbed"] if place.function == "_traffic" and place.kind == "enter")
    case = Case("undisturbed", place, 1, "KeyError")
    assert verdict(case) == []
    monkeypatch.setattr(Runner, "_stop_by", lambda self, error: None)
    assert verdict(case) != []


def test_the_states_invariants_hold_after_every_event_of_bad_nights(monkeypatch: pytest.MonkeyPatch):
    looked: Counter[str] = Counter()
    watch = Night._watch

    def look(self: Night, state: object, item: object) -> None:
        watch(self, state, item)  # type: ignore[arg-type] # the listener's own arguments
        broken = broken_invariants(state)  # type: ignore[arg-type] # as above
        looked["states"] += 1
        assert broken == [], (self.seed, type(item).__name__, broken)

    monkeypatch.setattr(Night, "_watch", look)
    for seed in range(700, 708):
        outcome = Night(seed).run()
        assert outcome.violations == [], seed
    assert looked["states"] > 1000
