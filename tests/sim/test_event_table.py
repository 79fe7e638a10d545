"""What must happen when: the twelve events that a host lease has to survive, each at either end and at both.

The promises are those of RFC 6241 section 8.4 (confirmed commit: reverts on time-out, on the loss of the session that
issued it, on a restart) carried over to two hosts, and of leases with fencing tokens (Kleppmann, "How to do
distributed locking", 2016). Time is virtual; the same rows in real time, on real SSH servers, are in
tests/spine/test_event_table_live.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import copy
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import pytest

from orchestrator.decide import events as ev
from orchestrator.faults import HostError
from orchestrator.onhost.refusal import Refusal
from tests.sim.fake_host import FakeHost
from tests.sim.stage import LEASE_S, MTU, POLLING, TICK_S, Stage

Ends = tuple[str, ...]
BOTH: Ends = ("dome", "hall")
STRANGE_MTU = 4321  # neither as found nor any level of the plan
LARGE, CHANGED = 4, 9000  # the trial whose cell sets everything there is to set, and its frame size


@dataclass(frozen=True)
class Row:
    """One event; `scene` makes it happen to some ends and then looks at what became of them."""

    number: int
    event: str
    must_happen: str
    scene: Callable[[Stage, Ends], Awaitable[None]]
    only_ends_change: bool = False


async def killed_controller(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    await stage.kill()
    assert [name for name in BOTH if not stage.is_as_found(name)] == list(ends)
    await asyncio.sleep(max(map(stage.deadline_s, BOTH)) + 1.0 - stage.now())
    assert all(map(stage.is_as_found, BOTH))


async def session_lost_briefly(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.world.lose_all(name)
    assert await stage.exit_code() == 0
    assert all(stage.rejoined(name) == ["kept"] for name in ends)
    assert stage.all_valid()


async def session_lost_for_longer(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    stage.cut(*ends)
    await asyncio.sleep(max(map(stage.deadline_s, ends)) + 1.0 - stage.now())
    assert all(map(stage.is_as_found, ends))
    stage.mend(*ends)
    assert await stage.exit_code() == 0
    assert all(stage.rejoined(name) == ["reverted"] for name in ends)
    assert stage.all_valid()


async def end_unreachable(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    stage.cut(*ends)
    await asyncio.sleep(max(map(stage.deadline_s, ends)) + 1.0 - stage.now())
    assert all(map(stage.is_as_found, ends)), "by its lease"
    assert await stage.exit_code() == 5, "nobody has seen that the lost end is back"
    assert stage.now() > stage.setup.patience_s, "not given up before the plan's patience"
    assert all(map(stage.is_as_found, BOTH)), "the other end by the controller"
    assert all(stage.state.hosts[name].as_found for name in BOTH if name not in ends)
    assert stage.statuses() == {1: "valid", 2: "valid", 3: "valid"}, "the trial in flight was not counted"
    stage.mend(*ends)
    assert all([(await stage.recover(name)).as_found for name in BOTH])


def renewals_lost(count: int) -> Callable[[Stage, Ends], Awaitable[None]]:
    """Renewals that do not succeed while the first change takes longer than the lease."""

    async def scene(stage: Stage, ends: Ends) -> None:
        lost = dict.fromkeys(ends, 0)
        held_up = False

        async def before_message(host: FakeHost, verb: str) -> None:
            nonlocal held_up
            if verb == "apply" and not held_up:
                held_up = True
                await asyncio.sleep(LEASE_S + 2 * TICK_S)
            elif verb == "lease.renew" and held_up and host.name in ends and lost[host.name] < count:
                lost[host.name] += 1
                raise HostError("record", f"{host.name}: cannot keep its record", host=host.name)

        stage.world.before_message = before_message
        assert await stage.exit_code() == 0
        assert set(lost.values()) == {count}, "or nothing was lost at all"
        for name in BOTH:
            reverted = name in ends and count == 3
            assert stage.rejoined(name) == (["reverted"] if reverted else []), (name, count)
        assert stage.all_valid()

    return scene


def wall_clock_set(by_days: int) -> Callable[[Stage, Ends], Awaitable[None]]:
    """Somebody, or the first time synchronisation, sets the wall clock during a trial."""

    async def scene(stage: Stage, ends: Ends) -> None:
        await stage.traffic_of(LARGE)
        for name in ends:
            stage.hosts[name].wall_offset_s = by_days * 86400.0
        assert await stage.exit_code() == 0
        assert all(stage.rejoined(name) == [] for name in BOTH)
        assert stage.all_valid()

    return scene


async def suspended(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.hosts[name].up = False
        stage.world.lose_all(name)
    await asyncio.sleep(2 * LEASE_S + 30.0)  # past what was granted for the trial, too
    assert not any(map(stage.is_as_found, ends)), "nothing runs on a host that sleeps"
    stage.cut(*ends)
    for name in ends:
        stage.hosts[name].up = True
    await asyncio.sleep(2 * TICK_S)
    assert all(map(stage.is_as_found, ends)), "by its watchdog, before anybody could reach it"
    stage.mend(*ends)
    assert await stage.exit_code() == 0
    assert all(stage.rejoined(name) == ["reverted"] for name in ends)
    assert stage.all_valid()


async def killed_watchdog(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.hosts[name].watchdog = False
    await stage.traffic_of(LARGE + 1)
    await asyncio.sleep(0)
    assert all(stage.hosts[name].watchdog for name in ends), "started again at the next renewal"
    assert await stage.exit_code() == 0
    assert stage.all_valid()


async def killed_with_controller(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.hosts[name].watchdog = False
    await stage.kill()
    await asyncio.sleep(10 * LEASE_S)
    assert [name for name in BOTH if not stage.is_as_found(name)] == list(ends)
    found = {name: await stage.recover(name) for name in BOTH}
    assert all(one.as_found for one in found.values())
    assert all(found[name].source == "record" for name in ends), "from the host's own record"
    assert all(map(stage.is_as_found, BOTH))


async def restarted(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.hosts[name].restart()
        stage.world.lose_all(name)
    assert await stage.exit_code() == 0
    assert all(stage.rejoined(name) == ["rebooted"] for name in ends)
    assert stage.all_valid()
    assert all(map(stage.is_as_found, BOTH))


async def restarted_without_controller(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    await stage.kill()
    for name in ends:
        stage.hosts[name].at_boot[MTU] = STRANGE_MTU  # what the machine's own start-up gives it today
        stage.hosts[name].restart()
    assert "dome" not in ends or stage.hosts["dome"].values[POLLING] == "on", "a restart does not undo it"
    for name in ends:
        found = await stage.recover(name)
        assert [entry["now"] for entry in found.conflicts] == [STRANGE_MTU], "told"
        assert stage.hosts[name].values[MTU] == STRANGE_MTU, "and not blindly overwritten"
    assert stage.hosts["dome"].values[POLLING] == ("off" if "dome" in ends else "on")


async def recovered_twice(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    await stage.kill()
    for name in ends:
        first, second = await stage.recover(name), await stage.recover(name)
        assert first.as_found
        assert (second.source, second.as_found) == ("nothing", True), "idempotent"
    assert all(map(stage.is_as_found, ends))


async def recovered_at_the_same_time(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    await stage.kill()
    results = await asyncio.gather(*(stage.recover(name) for name in ends for _ in range(2)))
    assert all(found.as_found for found in results)
    assert all(map(stage.is_as_found, ends))


async def recovered_by_a_stranger(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        for run_id in ("", "another-run"):
            with pytest.raises(HostError) as refused:
                await stage.recover(name, run_id)
            assert refused.value.code == "busy"
    assert await stage.exit_code() == 0
    assert stage.all_valid(), "and the run that holds the hosts has not noticed"


async def changed_by_a_third_party(stage: Stage, ends: Ends) -> None:
    async def before_message(host: FakeHost, verb: str) -> None:
        if verb == "restore" and host.name in ends:
            host.values[MTU] = STRANGE_MTU

    stage.world.before_message = before_message
    assert await stage.exit_code() == 5
    for name in BOTH:
        struck = name in ends
        assert stage.hosts[name].values[MTU] == (STRANGE_MTU if struck else 1500), "not overwritten"
        assert len(stage.state.hosts[name].restored["conflicts"]) == struck
    for name in ends:
        assert not (await stage.recover(name)).as_found, "told again, and left alone again"
        assert stage.hosts[name].values[MTU] == STRANGE_MTU


async def interrupted_once(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    began_s = stage.now()
    stage.runner.post(ev.StopAsked("interrupt", "interrupted"))
    assert await stage.exit_code() == 130
    assert stage.now() < began_s + 1.0, "at once"
    assert all(map(stage.is_as_found, BOTH))
    assert stage.nothing_of_ours()


async def interrupted_twice(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for _ in range(2):
        stage.runner.post(ev.StopAsked("interrupt", "interrupted"))
    assert await stage.exit_code() == 5, "nobody has seen them back"
    assert [name for name in BOTH if not stage.is_as_found(name)] == list(ends), "left to their leases"
    await asyncio.sleep(max(map(stage.deadline_s, BOTH)) + 1.0 - stage.now())
    assert all(map(stage.is_as_found, BOTH))
    assert all([(await stage.recover(name)).as_found for name in BOTH])
    assert stage.nothing_of_ours()


async def stuck_while_restoring(stage: Stage, ends: Ends) -> None:
    await stage.traffic_of(LARGE)
    for name in ends:
        stage.hosts[name].stuck = MTU
    stage.runner.post(ev.StopAsked("terminate", "terminated"))
    assert await stage.exit_code() == 5
    for name in BOTH:
        left = [(entry["setting"], entry["target"]) for entry in stage.state.hosts[name].restored["left"]]
        assert left == ([MTU] if name in ends else []), "the one that is stuck is listed"
        others = {place: value for place, value in stage.hosts[name].values.items() if place != MTU}
        assert others == {place: value for place, value in stage.before[name].items() if place != MTU}, "the rest back"
    for name in ends:
        stage.hosts[name].stuck = None
        assert (await stage.recover(name)).as_found


def renewed_around_the_deadline(off_by_ns: int) -> Callable[[Stage, Ends], Awaitable[None]]:
    """A renewal and the watchdog, both this long after the deadline, in either order."""

    async def scene(stage: Stage, ends: Ends) -> None:
        await stage.traffic_of(LARGE)
        await stage.kill()
        for name in ends:
            for watchdog_first in (True, False):
                host = copy.deepcopy(stage.hosts[name])
                at_ns = host.record["deadline_ns"] + off_by_ns
                if watchdog_first:
                    host.keep_at(at_ns)
                renewed = is_renewed(host, at_ns)
                host.keep_at(at_ns)
                reverted = host.values == stage.before[name]
                assert renewed != reverted, "exactly one of the two"
                assert renewed == (off_by_ns < 0), "the deadline itself is too late"

    return scene


def is_renewed(host: FakeHost, at_ns: int) -> bool:
    with contextlib.suppress(Refusal):
        host.do_at("lease.renew", {"token": host.record["token"], "lease_s": LEASE_S}, at_ns)
        return True
    return False


OURS = True  # the event is the controller's own, and the ends are those that it has changed
TABLE = (
    Row(1, "the controller is killed", "changed ends are back within the lease and a second", killed_controller, OURS),
    Row(2, "the session dies, the controller lives", "within the lease: the run goes on", session_lost_briefly),
    Row(2, "the session dies for longer than the lease", "restored, taken again, repeated", session_lost_for_longer),
    Row(3, "an end stays unreachable", "it comes back by its lease, the other by the controller", end_unreachable),
    Row(4, "one renewal is lost", "nothing happens", renewals_lost(1)),
    Row(4, "two renewals are lost", "nothing happens", renewals_lost(2)),
    Row(4, "three renewals are lost", "the end restores itself; the trial is repeated", renewals_lost(3)),
    Row(5, "the wall clock is set forward a day", "nothing happens", wall_clock_set(1)),
    Row(5, "the wall clock is set back a day", "nothing happens", wall_clock_set(-1)),
    Row(5, "a host sleeps for two leases", "it restores itself when it wakes up", suspended),
    Row(6, "the watchdog is killed", "another takes its place", killed_watchdog),
    Row(6, "watchdog and controller are killed", "recover restores from the host's record", killed_with_controller),
    Row(7, "a host restarts in a trial", "settings applied again, trial repeated, lasting ones restored", restarted),
    Row(
        7,
        "a host restarts, nobody is there",
        "recover restores what lasts, no old value on a new boot",
        restarted_without_controller,
    ),
    Row(8, "recover runs twice", "the second finds nothing to do", recovered_twice),
    Row(8, "recover runs twice at once", "both end, the ends are back", recovered_at_the_same_time),
    Row(8, "recover by somebody who has not the run", "refused, the run goes on", recovered_by_a_stranger),
    Row(9, "a third party changes a value", "told as a conflict, not overwritten, exit 5", changed_by_a_third_party),
    Row(10, "Ctrl-C once", "restored now", interrupted_once, OURS),
    Row(10, "Ctrl-C twice", "left to the leases, which restored", interrupted_twice, OURS),
    Row(11, "a restore does not end", "the others are restored, it is listed", stuck_while_restoring),
    Row(12, "a renewal just before the deadline", "it wins", renewed_around_the_deadline(-1)),
    Row(12, "a renewal at the deadline", "the watchdog wins", renewed_around_the_deadline(0)),
    Row(12, "a renewal just after the deadline", "the watchdog wins", renewed_around_the_deadline(1)),
)


@pytest.mark.parametrize("ends", [("dome",), ("hall",), BOTH], ids="+".join)
@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.number}: {row.event}: {row.must_happen}")
def test_the_event_table(row: Row, ends: Ends):
    async def scene(stage: Stage) -> None:
        await row.scene(stage, ends)

    Stage(ends if row.only_ends_change else BOTH).play(scene)


def test_the_table_has_all_twelve_rows():
    assert {row.number for row in TABLE} == set(range(1, 13))
