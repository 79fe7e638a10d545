"""Somebody else changes a host in the middle of a run: every setting and every moment of the proof at least once."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.outside.cases import MOMENTS, SETTINGS, Case
from tests.outside.desk import OutsideDesk

pytestmark = pytest.mark.lab
CASES = (
    Case(1, "mtu", "window", "hall", "tcp", "transmit", "reapply", False, 0),
    Case(2, "mtu", "window", "hall", "udp", "receive", "stop", False, 1),
    Case(3, "offload", "after apply", "dome", "tcp", "receive", "stop", False, 0),
    Case(4, "governor", "path", "dome", "udp", "transmit", "reapply", True, 0),
    Case(5, "memory", "before apply", "hall", "tcp", "bidirectional", "stop", False, 0),
    Case(6, "probing", "warm-up", "dome", "tcp", "transmit", "stop", True, 1),
    Case(7, "address", "window", "hall", "tcp", "transmit", "reapply", True, 0),
    Case(8, "link", "after traffic", "dome", "udp", "receive", "reapply", True, 0),
)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OutsideDesk]:
    with OutsideDesk(tmp_path_factory.mktemp("desk")) as made:
        yield made


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_change_from_outside_is_named_with_before_and_now_and_nothing_of_theirs_is_lost(
    case: Case, desk: OutsideDesk
) -> None:
    outcome = desk.play_change(case)
    assert outcome.named, outcome.problems
    assert outcome.problems == []


def test_the_cases_have_every_setting_and_every_moment() -> None:
    assert {case.setting for case in CASES} == set(SETTINGS)
    assert {case.moment for case in CASES} == set(MOMENTS)
