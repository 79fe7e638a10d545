"""Rows 1, 2, 4, 6 and 10 of the event table in real time, on OpenSSH hosts; whole: tests/sim/test_event_table.py."""

from __future__ import annotations

import time
from typing import Any

import pytest

from orchestrator.act.journal import read_lines
from orchestrator.act.run_folder import journal_path
from tests.kills import victims
from tests.kills.desk import Desk
from tests.spine.bench import plan_text

pytestmark = pytest.mark.lab
LEASE_S = 3.0
PLAN = plan_text(
    factors={"mtu": [9000, 4000]},
    order={"shuffle": False},
    lease=f"{LEASE_S:.0f}s",
    trial={"length": "1500ms", "warmup": "50ms", "settle": "0s", "replicates": 1},
)
BACK_BY_S = LEASE_S  # the promise; the bounds below leave room for a busy machine
ROOM_S = 4.0
FIRST_CHANGE = {"event": "Applied", "position": -2}


def begin(desk: Desk, name: str, **more: Any) -> None:
    desk.begin(desk.bench.write(PLAN, "table.yaml"), name, **more)


def in_traffic(desk: Desk) -> None:
    desk.wait_for("trial 1 of 2")
    desk.wait_for_mtu(9000)
    time.sleep(0.8)  # the path is tried, and the two ends meet


def back_after_s(desk: Desk) -> float:
    began = time.monotonic()
    while desk.mtus() != {1500}:
        assert time.monotonic() - began < BACK_BY_S + ROOM_S, "a host stayed changed"
        time.sleep(0.02)
    return time.monotonic() - began


def rejoined(desk: Desk) -> list[str]:
    run = desk.run()
    assert run is not None
    return [
        entry.body["outcome"]
        for entry in read_lines(journal_path(run))[0]
        if entry.kind == "event" and entry.body["event"] == "Rejoined"
    ]


def recover(desk: Desk) -> None:
    desk.order(["recover", desk.run() or ""])
    assert desk.end() == 0, desk.words()
    assert desk.differences() == []


def test_row_1_a_killed_controllers_hosts_are_back_after_the_lease(desk: Desk):
    begin(desk, "row-1")
    in_traffic(desk)
    desk.tell("kill")
    assert desk.end() == -9
    print(f"back {back_after_s(desk):.2f} s after the kill; promised within {BACK_BY_S:.2f} s")
    recover(desk)


def test_row_2_a_session_that_dies_is_joined_again_and_the_run_goes_on(desk: Desk):
    begin(desk, "row-2")
    in_traffic(desk)
    victims.kill(victims.session(desk.lab.hosts["dome"]))
    assert desk.end() == 0, desk.words()
    assert rejoined(desk) == ["kept"]
    assert {outcome["status"] for outcome in desk.state().outcomes.values()} == {"valid"}
    assert desk.differences() == []


@pytest.mark.parametrize(
    ("silent_s", "found"),
    [
        pytest.param(LEASE_S * 0.45, set(), marks=pytest.mark.proof),
        (LEASE_S * 0.6, set()),
        (LEASE_S * 1.4, {"reverted"}),
    ],
    ids=["one", "two", "four"],
)
def test_row_4_lost_renewals_do_no_harm_before_the_lease_is_over(desk: Desk, silent_s: float, found: set[str]):
    """The controller stands still for so long, the first host changed already."""
    begin(desk, f"row-4-{silent_s}", stop_at=FIRST_CHANGE)
    assert desk.hear().startswith("at ")
    time.sleep(silent_s)
    assert (9000 in desk.mtus()) == (not found)
    desk.tell("go on")
    assert desk.end() == 0, desk.words()
    assert set(rejoined(desk)) == found
    assert {outcome["status"] for outcome in desk.state().outcomes.values()} == {"valid"}
    assert desk.differences() == []


def test_row_6_without_watchdog_and_controller_recover_puts_back_from_the_hosts_record(desk: Desk):
    begin(desk, "row-6")
    in_traffic(desk)
    for host in desk.lab.hosts.values():
        victims.kill_everything(host)
    desk.tell("kill")
    assert desk.end() == -9
    time.sleep(BACK_BY_S + 1.0)
    assert desk.mtus() == {9000}, "nobody is there to restore them"
    recover(desk)
    assert "host's record" in desk.words()


def test_row_10_interrupted_once_the_hosts_are_restored_first(desk: Desk):
    begin(desk, "row-10-once")
    in_traffic(desk)
    desk.tell("interrupt")
    assert desk.end() == 130, desk.words()
    assert desk.differences() == []


def test_row_10_interrupted_twice_the_hosts_are_left_to_their_leases(desk: Desk):
    begin(desk, "row-10-twice")
    in_traffic(desk)
    desk.tell("interrupt")
    time.sleep(0.02)  # two signals of one kind at once are one
    desk.tell("interrupt")
    assert desk.end() == 5, desk.words()
    assert "within" in desk.words()
    assert f"linktrial recover {desk.run()}" in desk.words()
    back_after_s(desk)
    recover(desk)
