"""Whatever step a controller dies at, and its recovery again, the hosts end as they were found.

Every first death, and of the second ones each seventh; `bash tests/proofs.sh stateful` plays all of those, too.
"""

from __future__ import annotations

import itertools
import os

import pytest

from tests.sim.crash import Case, single_crashes

ALL = "LINKTRIAL_EXAMPLES" in os.environ
EACH = 1 if ALL else 7  # no divisor of the fates' and steps' numbers: every fate meets second deaths at every step


def test_an_undisturbed_run_and_a_recovery_after_it_change_nothing():
    case = Case()
    case.stop_run_at(0, "lost")
    case.recover()
    assert case.look() == []


@pytest.mark.timeout(300)
# What a dead controller had begun is never ended, and Python says so of its tasks whenever they are collected.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore:coroutine:RuntimeWarning")
def test_a_run_and_its_recovery_stopped_at_any_step_are_recovered():
    """Every step x four fates of the journal's tail x power cut or not, and the same at every step of the recovery."""
    singles = doubles = 0
    number = itertools.count()
    for step, fate in single_crashes():
        stopped = Case()
        stopped.stop_run_at(step, fate)
        for power_cut in (False, True):
            hit = stopped.fork()
            if power_cut:
                hit.cut_power()
            once = hit.fork()
            steps = once.recover()
            assert once.look() == [], (step, fate, power_cut)
            singles += 1
            for second in range(1, steps + 1):
                for sent in ("lost", "whole"):  # before the message leaves, and before its answer comes
                    if next(number) % EACH:
                        continue
                    twice = hit.fork()
                    twice.recover(second, sent)
                    twice.recover()
                    assert twice.look() == [], (step, fate, power_cut, second, sent)
                    doubles += 1
    print(f"{singles} single and {doubles} double crashes, all recovered")
    assert singles >= 1000
    assert doubles >= 6000 // EACH
