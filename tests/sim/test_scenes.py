"""Runs that are cut off, die late or meet a full disk, on the virtual clock and the helper's own functions."""

from __future__ import annotations

import asyncio
import itertools

import pytest

from orchestrator.act.recovering import LOCK_PATIENCE_S
from orchestrator.cli.one_run import nothing_is_left
from orchestrator.faults import BugError, Fault, HostError
from tests.sim.fake_host import FakeHost
from tests.sim.fake_session import FakeSession
from tests.sim.stage import LEASE_S, MTU, Stage
from tests.sim.test_event_table import BOTH, LARGE, STRANGE_MTU, Ends

FIRST_LARGE = LARGE - 1


@pytest.mark.parametrize("ends", [("dome",), ("hall",), BOTH], ids="+".join)
@pytest.mark.parametrize("longer", [False, True], ids=["shorter than the lease", "longer than the lease"])
@pytest.mark.parametrize("moment", ["prepare", "apply", "verify", "traffic", "restore", "lease.release"])
def test_a_control_path_that_is_cut_costs_no_trial_and_leaves_no_host_changed(moment: str, longer: bool, ends: Ends):
    async def scene(stage: Stage) -> None:
        cut = asyncio.Event()

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == moment and not cut.is_set() and stage.state.began | (verb == "prepare"):
                stage.cut(*ends)
                cut.set()

        stage.world.before_message = before_message
        if moment == "traffic":
            await stage.traffic_of(LARGE)
            stage.cut(*ends)
        else:
            await cut.wait()
        await asyncio.sleep(4 * LEASE_S if longer else LEASE_S / 4)
        stage.mend(*ends)
        assert await stage.exit_code() == (3 if moment == "prepare" else 0), stage.state
        if moment == "prepare":  # nothing was changed yet: refused, and the host's lease runs out
            await asyncio.sleep(2 * LEASE_S)
        else:
            assert stage.all_valid()
        assert all(map(stage.is_as_found, BOTH))

    Stage().play(scene)


def test_a_run_that_dies_between_its_last_trial_and_its_end_has_something_left_to_do():
    """`linktrial resume` must not call it finished: the hosts are still changed."""

    async def scene(stage: Stage) -> None:
        restoring = asyncio.Event()

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "restore" and not restoring.is_set():
                restoring.set()
                await asyncio.sleep(1.0)

        stage.world.before_message = before_message
        await restoring.wait()
        await stage.kill()
        assert not stage.is_as_found("dome")
        assert not nothing_is_left(stage.state)
        stage.start()
        assert await stage.exit_code() == 0
        assert nothing_is_left(stage.state)
        assert all(map(stage.is_as_found, BOTH))
        assert stage.nothing_of_ours()

    Stage().play(scene)


@pytest.mark.parametrize("verb", ["apply", "lease.renew"])
def test_a_host_that_can_keep_no_record_any_more_ends_the_run_and_no_cell_is_called_impossible(verb: str):
    """A full disk over there is no property of a cell; the run can be resumed."""

    async def scene(stage: Stage) -> None:
        async def before_message(host: FakeHost, asked: str) -> None:
            if asked == verb and host.name == "hall" and stage.state.position == LARGE - 1:
                raise HostError("record", "hall: cannot keep its record: No space left on device", host="hall")

        stage.world.before_message = before_message
        assert await stage.exit_code() == 6
        assert "No space left" in stage.state.stop["reason"]
        assert stage.statuses() == {1: "valid", 2: "valid"}
        assert all(map(stage.is_as_found, BOTH))
        assert stage.nothing_of_ours()

    Stage().play(scene)


@pytest.mark.parametrize("ends", [("dome",), ("hall",), BOTH], ids="+".join)
def test_a_trial_whose_host_restore_itself_before_it_could_be_read_again_is_repeated_not_doubted(ends: Ends):
    """The way to it stood still for longer than the lease and no session was lost: words arrive late, but arrive."""

    async def scene(stage: Stage) -> None:
        going = asyncio.Event()
        going.set()

        async def before_message(host: FakeHost, verb: str) -> None:
            if host.name in ends and verb == "lease.renew" and not going.is_set():
                raise HostError("locked", f"{host.name}: not renewed", host=host.name)
            if host.name in ends:
                await going.wait()

        stage.world.before_message = before_message
        await stage.traffic_of(LARGE)
        going.clear()
        await asyncio.sleep(max(map(stage.deadline_s, ends)) + 1.0 - stage.now())
        assert all(map(stage.is_as_found, ends))
        going.set()
        assert await stage.exit_code() == 0
        assert all(stage.rejoined(name) == ["reverted"] for name in ends)
        assert stage.all_valid()
        assert stage.state.outcomes[LARGE]["attempt"] > 1

    Stage().play(scene)


def test_a_run_taken_up_again_says_what_a_stranger_keeps_it_from_putting_back():
    """Killed between a stranger's change and its own end; the watchdog was killed, too, so nobody has looked since."""

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        await stage.kill()
        stage.hosts["hall"].watchdog = False
        await asyncio.sleep(3 * LEASE_S)
        stage.hosts["hall"].values[MTU] = STRANGE_MTU
        stage.start()
        assert await stage.exit_code() == 5
        assert [one["now"] for one in stage.state.hosts["hall"].restored["conflicts"]] == [STRANGE_MTU]
        assert stage.hosts["hall"].values[MTU] == STRANGE_MTU
        assert stage.is_as_found("dome")

    Stage().play(scene)


def test_a_host_whose_watchdog_dies_with_its_session_is_restored_while_it_still_answers():
    """Found by the simulated run of seed 6002: a resumed run asked for the proof, and left the host as it was."""

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        await stage.kill()
        assert not stage.is_as_found("dome")

        async def before_message(host: FakeHost, verb: str) -> None:
            if host.name == "dome" and verb == "watchdog":
                host.watchdog = False

        stage.world.before_message = before_message
        stage.start()
        assert await stage.exit_code() == 6
        assert "watchdog does not survive" in stage.state.stop["reason"]
        assert all(map(stage.is_as_found, BOTH))
        assert stage.nothing_of_ours()

    Stage().play(scene)


def test_a_host_whose_lease_is_over_whenever_settings_are_given_fails_the_trial_and_not_for_ever():
    """Found on a machine so slow that no change was made within the lease: taken, given, lost, for ever."""

    async def scene(stage: Stage) -> None:
        async def before_message(host: FakeHost, verb: str) -> None:
            if host.name == "dome" and verb == "apply":
                host.keep(stage.now() + 2 * LEASE_S)  # as if it had waited for so long

        stage.world.before_message = before_message
        assert await stage.exit_code() == 1
        assert {one["status"] for one in stage.state.outcomes.values()} == {"failed"}
        assert all("the session or the lease was lost" in one["reason"] for one in stage.state.outcomes.values())
        assert stage.nothing_of_ours()

    Stage().play(scene)


@pytest.mark.parametrize("trouble", ["its lease of 30 s ran out", "watchdog does not survive"])
def test_a_host_that_is_refused_before_anything_was_changed_keeps_nothing_of_ours_and_is_told_why(trouble: str):
    """A slow machine is not called one that kills watchdogs."""

    async def scene(stage: Stage) -> None:
        asked = 0

        async def before_message(host: FakeHost, verb: str) -> None:
            nonlocal asked
            if host.name != "dome" or verb != "watchdog":
                return
            asked += 1
            if "watchdog" in trouble:
                host.watchdog = False
            elif asked == 2:
                host.keep(stage.now() + 2 * LEASE_S)  # as if it had taken so long to make the new session

        stage.world.before_message = before_message
        assert await stage.exit_code() == 3
        assert stage.state.refused
        assert trouble in stage.state.refused["message"]
        assert stage.state.refused["next_step"]
        assert stage.nothing_of_ours()

    Stage().play(scene)


@pytest.mark.parametrize("for_s", [45.0, 1000.0])
def test_recovering_waits_for_a_change_that_has_not_ended_and_says_who_makes_it_when_it_never_ends(for_s: float):
    """A busy host's watchdog may still be restoring; the host itself refuses only after it has waited 20 s."""

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        await stage.kill()
        free_at = stage.now() + for_s

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "recover" and stage.now() < free_at:
                await asyncio.sleep(20.0)
                raise HostError("locked", "dome: ... process 7 (linktrial-wdog) has held the host's lock", host="dome")

        stage.world.before_message = before_message
        if for_s < LOCK_PATIENCE_S:
            assert (await stage.recover("dome")).as_found
            assert stage.is_as_found("dome")
            return
        with pytest.raises(HostError, match="process 7") as refused:
            await stage.recover("dome")
        assert "recover again" in refused.value.next_step
        assert stage.now() < free_at

    Stage().play(scene)


@pytest.mark.parametrize(
    "trouble",
    [
        HostError(
            "exhausted", "dome: lease.renew: no process could be started: Resource temporarily unavailable", host="dome"
        ),
        BugError("helper", "lease.renew on dome: KeyError: 'deadline_ns'"),
    ],
    ids=["the host's limit", "a bug of ours"],
)
def test_one_renewal_that_fails_does_not_end_all_later_ones(trouble: Fault):
    """Without renewals the host restores itself in mid-run. What is our own fault ends the run, but in order."""

    async def scene(stage: Stage) -> None:
        slow: list[str] = []
        met: list[str] = []

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "apply" and host.name == "hall" and stage.state.position == FIRST_LARGE and not met:
                slow.append(verb)
                await asyncio.sleep(2 * LEASE_S)  # a slow driver, for longer than the other host waits unheard
            if verb == "lease.renew" and host.name == "dome" and slow and not met:
                met.append(verb)
                raise trouble

        stage.world.before_message = before_message
        assert stage.running is not None
        assert await stage.running == (4 if isinstance(trouble, BugError) else 0)
        assert met
        assert stage.rejoined("dome") == []
        assert stage.all_valid() or isinstance(trouble, BugError)
        assert all(map(stage.is_as_found, BOTH))
        assert stage.nothing_of_ours()

    Stage().play(scene)


def _comes_in_by_the_measured_link(stage: Stage, name: str) -> None:
    """SSH itself runs over the interface that the plan changes."""
    host = stage.hosts[name]
    host._control = lambda args, now_ns: {"local": "", "peer": "", "interface": "eth1", "interfaces": ["eth1"]}


def test_a_host_with_one_port_that_can_keep_no_record_ends_the_run_and_no_cell_is_called_impossible():
    """Its refusal must not be hidden by the answer of the new connection, that there is nothing to confirm."""

    async def scene(stage: Stage) -> None:
        _comes_in_by_the_measured_link(stage, "hall")

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "apply" and host.name == "hall":
                raise HostError("record", "hall: cannot keep its record: No space left on device", host="hall")

        stage.world.before_message = before_message
        assert await stage.exit_code() == 6
        assert "No space left" in stage.state.stop["reason"]
        assert "impossible" not in stage.statuses().values()
        assert all(map(stage.is_as_found, BOTH))
        assert stage.nothing_of_ours()

    Stage().play(scene)


def test_a_slow_host_is_not_lost_over_a_change_of_the_interface_that_ssh_uses():
    """Found on a busy machine: each new connection was given up just before it was there, until the lease was over."""

    async def scene(stage: Stage) -> None:
        _comes_in_by_the_measured_link(stage, "hall")
        sessions, connect = itertools.count(2), stage.world.connect

        async def slow_connect(name: str) -> FakeSession:
            await asyncio.sleep(LEASE_S / 4 if name == "hall" else 0.0)
            return await connect(name)

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "control":
                host.session = next(sessions)

        stage.world.before_message = before_message
        stage.world.connect = slow_connect
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.rejoined("hall") == []

    Stage().play(scene)


def test_a_change_of_the_control_path_whose_request_was_lost_is_made_again():
    """It never came to the host: that says nothing about the level, and the cell is not impossible."""

    async def scene(stage: Stage) -> None:
        _comes_in_by_the_measured_link(stage, "hall")
        lost: list[str] = []
        sessions = itertools.count(2)

        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "control":
                host.session = next(sessions)
            if verb == "apply" and host.name == "hall" and not lost:
                lost.append(verb)
                raise HostError("lost", "hall: the connection was lost", host="hall")

        stage.world.before_message = before_message
        assert await stage.exit_code() == 0
        assert lost
        assert stage.all_valid()

    Stage().play(scene)
