"""The way to a host is cut, shorter and longer than its lease, while it is being changed, measured or restored."""

from __future__ import annotations

import itertools
import time
from typing import Any

import pytest

from orchestrator.act.journal import read_lines
from orchestrator.act.run_folder import journal_path
from tests.kills.desk import Desk
from tests.spine.bench import plan_text

pytestmark = pytest.mark.lab
# A cut shorter than the lease ends when TCP sends again, up to 1.6 s after the line is back, and on a busy machine
# later: its lease is long against all of that. The longer cut is waited for, so its
# lease is no longer than a busy machine needs to renew it at all (2 s ended before a run had begun).
LEASES = {"shorter than the lease": "12s", "longer than the lease": "6s"}


def plan(longer: bool) -> str:
    """Two trials of a second, under the lease that suits the cut."""
    return plan_text(
        factors={"mtu": [9000, 4000]},
        order={"shuffle": False},
        lease=LEASES["longer than the lease" if longer else "shorter than the lease"],
        trial={"length": "1s", "warmup": "50ms", "settle": "0s", "replicates": 1},
    )


MOMENTS: dict[str, dict[str, Any] | None] = {
    "apply": {"kind": "intent", "command": "Apply", "position": 2},
    "traffic": None,
    "restore": {"kind": "intent", "command": "Restore"},
}
BRIEF_S, LEASE_IS_OVER_BY_S = 1.0, 20.0


@pytest.mark.parametrize(
    ("moment", "longer"),
    [
        ("apply", True),
        ("traffic", False),
        ("restore", True),
        pytest.param("apply", False, marks=pytest.mark.proof),
        pytest.param("traffic", True, marks=pytest.mark.proof),
        pytest.param("restore", False, marks=pytest.mark.proof),
    ],
)
def test_a_cut_control_path_costs_no_trial_and_leaves_no_host_changed(desk: Desk, moment: str, longer: bool):
    host = "hall" if moment == "traffic" else "dome"
    desk.begin(desk.bench.write(plan(longer), "cut.yaml"), f"cut-{moment}-{longer}", stop_at=MOMENTS[moment])
    if moment == "traffic":
        desk.wait_for("trial 2 of 2")
        time.sleep(0.5)
    else:
        assert desk.hear().startswith("at ")
    assert desk.bench.mtu(host) in (9000, 4000)
    desk.lab.switch.cut_control(host)
    try:
        if desk.paused:
            desk.tell("go on")
        time.sleep(BRIEF_S)
        until = time.monotonic() + LEASE_IS_OVER_BY_S
        while longer and desk.bench.mtu(host) != 1500:  # nobody can reach it: it restores itself
            assert time.monotonic() < until
            time.sleep(0.05)
    finally:
        desk.lab.switch.mend_control(host)
    assert desk.end() == 0, desk.words()
    assert {outcome["status"] for outcome in desk.state().outcomes.values()} == {"valid"}
    found = {event["outcome"] for event in events(desk) if event.get("event") == "Rejoined"}
    assert "reverted" in found if longer else "reverted" not in found, desk.words()
    assert desk.differences() == []


def events(desk: Desk) -> list[dict[str, Any]]:
    run = desk.run()
    assert run is not None
    return [entry.body for entry in itertools.chain(read_lines(journal_path(run))[0]) if entry.kind == "event"]
