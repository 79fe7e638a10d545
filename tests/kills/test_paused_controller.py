"""A controller that sleeps past its lease and wakes up when another has the hosts: none of its changes gets through."""

from __future__ import annotations

import subprocess
import time

import pytest

from tests.kills.desk import Desk
from tests.spine.bench import plan_text

pytestmark = pytest.mark.lab
SLEEPER = plan_text(
    plan="sleeper",
    factors={"mtu": [9000, 8000]},
    lease="2s",
    trial={"length": "500ms", "warmup": "50ms", "settle": "0s", "replicates": 10},
)
SECOND = plan_text(
    plan="second",
    factors={"mtu": [4000]},
    lease="30s",
    trial={"length": "1s", "warmup": "50ms", "settle": "0s", "replicates": 4},
)


def test_a_controller_that_wakes_up_after_another_took_over_changes_nothing(desk: Desk):
    desk.begin(desk.bench.write(SLEEPER, "sleeper.yaml"), "sleeper")
    desk.wait_for("trial 2 of 20")
    desk.tell("stop")
    desk.wait_for_mtu(1500)
    second = desk.bench.start(SECOND)
    try:
        desk.bench.wait_for("trial 1 of 4")
        desk.wait_for_mtu(4000)
        desk.tell("cont")
        seen = watch_until_ended(desk, second)
    finally:
        second.kill()
        second.wait()
    assert seen <= {4000, 1500}, "the sleeper's levels are 9000 and 8000"
    assert second.returncode == 0, desk.bench.said()
    code = desk.end()
    assert code in (5, 6), "it cannot say that it has put the hosts back"
    assert "second" in desk.words(), "who holds the hosts is told"
    assert desk.differences() == []


def watch_until_ended(desk: Desk, process: subprocess.Popen[str], timeout_s: float = 60.0) -> set[int]:
    """Every MTU that either host has until then; read from its file, which is quick."""
    seen, until = set(), time.monotonic() + timeout_s
    while process.poll() is None and time.monotonic() < until:
        seen |= desk.mtus()
        time.sleep(0.002)
    return seen
