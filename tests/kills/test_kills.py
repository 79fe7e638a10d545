"""A dozen of the real kills; `bash tests/proofs.sh kills` plays a thousand."""

from __future__ import annotations

import pytest

from tests.kills.cases import Case
from tests.kills.desk import Desk

pytestmark = pytest.mark.lab
FIRST_APPLY, APPLIED, CONDUCTED, RESTORE = 12, 14, 16, 18  # lines of the journal of the tiny run


def at_line(victim: str, line: int, *, before: bool = False, resumes: bool = False) -> Case:
    return Case(line, victim, "hall" if line % 2 else "dome", line, before, 0.0, resumes)


@pytest.mark.parametrize(
    "case",
    [
        at_line("controller", FIRST_APPLY),
        at_line("controller", APPLIED, before=True, resumes=True),
        at_line("controller", CONDUCTED),
        at_line("controller", RESTORE, resumes=True),
        at_line("helper", APPLIED),
        at_line("helper", RESTORE, before=True),
        at_line("session", CONDUCTED),
        at_line("watchdog", APPLIED),
        at_line("power", CONDUCTED, before=True),
        at_line("power", APPLIED + 1),
        at_line("power and controller", APPLIED + 1),
        at_line("power and controller", CONDUCTED, resumes=True),
    ],
    ids=str,
)
def test_whoever_is_killed_the_hosts_end_as_found_and_no_finished_trial_is_lost(desk: Desk, case: Case):
    outcome = desk.play(case)
    assert outcome.problems == []
    assert outcome.struck
