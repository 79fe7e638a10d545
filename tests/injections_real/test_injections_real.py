"""Errors of ours in a handful of real runs: they end in order, with the hosts as found and the traceback at hand.

`bash tests/proofs.sh injections-real COUNT SEED` draws as many as wanted, from all places that such runs come to.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.injections_real.cases import WATCHDOG, Case, targets
from tests.injections_real.desk import Desk
from tests.injections_real.errors import patched
from tests.injections_real.places import Place, of_controller, of_verb, of_watchdog, places_of


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    with Desk(tmp_path_factory.mktemp("desk")) as made:
        yield made


def first(places: list[Place] | tuple[Place, ...], function: str) -> Place:
    """The beginning of a function."""
    return next(place for place in places if place.function == function and place.kind == "begins")


SAMPLE = [
    Case(1, "controller", "run", first(places_of("orchestrator.decide.machine"), "handle"), "KeyError", 25),
    Case(2, "controller", "run", first(places_of("orchestrator.act.conduct"), "_connect"), "CancelledError", 1),
    Case(3, "controller", "run", first(places_of("orchestrator.act.runner"), "_next_event"), "CancelledError", 8),
    Case(4, "apply", "run", of_verb("apply")[-1], "KeyError", 1),
    Case(5, "restore", "run", of_verb("restore")[0], "RecursionError", 1),
    Case(6, WATCHDOG, "watchdog", first(of_watchdog(), "restore_if_due"), "KeyError", 1, lasting=True),
]


@pytest.mark.lab
@pytest.mark.parametrize("case", SAMPLE, ids=str)
def test_a_real_run_with_an_error_of_ours_ends_in_order_and_leaves_the_hosts_as_found(desk: Desk, case: Case):
    outcome = desk.play(case)
    assert outcome.problems == []
    assert outcome.struck


def test_the_places_are_all_of_the_controllers_functions_and_every_verb():
    places = of_controller()
    assert len(places) > 1000
    assert {place.room for place in places} == {"act", "cli", "decide", "results", "report"}
    assert [name for name, found in targets().items() if not found] == []
    assert targets()[WATCHDOG] == of_watchdog()
    assert len(of_watchdog()) > 300


def test_a_patched_source_is_the_same_but_for_its_calls():
    source = "def f():\n    if 1:\n        return 2\n    return 3\n"
    made = patched(source, [(2, "here(0)"), (3, "here(1)")])
    assert made == "def f():\n    here(0)\n    if 1:\n        here(1)\n        return 2\n    return 3\n"
