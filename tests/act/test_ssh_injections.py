"""An error at any await and any function of the rooms that speak SSH: an end in bounded time, nothing lost or left.

A drawn sample; `bash tests/proofs.sh injections SEED COUNT` plays as many as wanted.
"""

from __future__ import annotations

import itertools
from collections import Counter
from pathlib import Path

import pytest

from orchestrator.act import session
from tests.act.ssh_injections import SCENES, all_awaits, cases, play, reached
from tests.sim.injections import Case, Place

SEED, SAMPLE = 5, 8
pytestmark = pytest.mark.filterwarnings("ignore:coroutine")  # raised on the line of an await, what it waits for is not


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Counter[Place]]:
    return reached(tmp_path_factory.mktemp("undisturbed"))


def test_nearly_all_awaits_of_the_rooms_that_speak_ssh_are_come_to(visits: dict[str, Counter[Place]]):
    places = {place for found in visits.values() for place in found}
    awaits = {(place.file, place.line) for place in places if place.kind == "await"}
    assert len(visits) == len(SCENES)
    assert len(all_awaits() - awaits) <= 3
    assert len(places) > 75


def test_an_error_anywhere_in_a_session_is_told_and_leaves_nothing(
    tmp_path: Path, visits: dict[str, Counter[Place]]
) -> None:
    broken = {}
    for number, case in enumerate(itertools.islice(cases(SEED, visits), SAMPLE)):
        problems, _ = play(tmp_path / str(number), case.scene, case)
        if problems:
            broken[str(case)] = problems
    assert broken == {}


def test_an_error_in_the_heartbeat_ends_the_session_by_it(tmp_path: Path, visits: dict[str, Counter[Place]]) -> None:
    """It had died unheard, and the session was kept alive by nobody."""
    place = next(one for one in visits["talk"] if one.function == "_keep_heard" and one.kind == "await")
    assert play(tmp_path / "talk", "talk", Case("talk", place, 1, "KeyError"))[0] == []


def test_a_lost_error_would_be_found(
    tmp_path: Path, visits: dict[str, Counter[Place]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The referee itself."""
    monkeypatch.setattr(session.HostSession, "_heartbeat_over", lambda self, task: task.exception())
    place = next(one for one in visits["talk"] if one.function == "_keep_heard" and one.kind == "await")
    assert play(tmp_path / "talk", "talk", Case("talk", place, 1, "KeyError"))[0] != []
