"""Whatever we raise, wherever: the run ends in order, with exit code 4 (5 for a host not as found), never a hang."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest

from orchestrator.act import actions as actions_module
from orchestrator.act import runner as runner_module
from orchestrator.act.actions import HostActions
from orchestrator.act.supervised import Supervisor, in_thread, within
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide import machine
from orchestrator.decide.as_found.host_ends import host_ends
from orchestrator.decide.expected import Standing, standing
from orchestrator.decide.machine import advance, handle
from orchestrator.decide.state import Flight, RunState, begin
from orchestrator.faults import BugError, HostError
from tests.sim.fake_host import FakeHost
from tests.sim.sim import MemoryJournal, make_setup
from tests.sim.stage import Stage
from tests.sim.test_event_table import BOTH, LARGE

LOST = {"code": "lost", "message": "lost", "values": {}, "whose": "host", "next_step": "", "host": "dome"}


async def ends_in_order(stage: Stage, code: int = 4) -> None:
    """The run ends with this code, every host is as found, and nothing of ours is on it."""
    assert stage.running is not None
    assert await stage.running == code
    assert all(map(stage.is_as_found, BOTH))
    assert stage.nothing_of_ours()


@pytest.mark.parametrize("command", sorted(kind.__name__ for kind in actions_module._ACTIONS))
def test_an_error_in_a_command_ends_the_run_with_exit_code_4(command: str, monkeypatch: pytest.MonkeyPatch):
    kind = getattr(do, command)
    whole = actions_module._ACTIONS[kind]
    met: list[str] = []

    async def broken(self: HostActions, asked: do.HostCommand) -> ev.Event:
        if not met:
            met.append(asked.host)
            raise KeyError(command)
        return await whole(self, asked)

    async def scene(stage: Stage) -> None:
        monkeypatch.setitem(actions_module._ACTIONS, kind, broken)
        if command == "Rejoin":
            await stage.traffic_of(LARGE)
            stage.world.lose_all("dome")
        if command in ("Restart", "PowerCycle"):
            assert stage.runner is not None
            await stage.runner._act(kind("dome"))
        await ends_in_order(stage)
        assert met
        assert isinstance(stage.runner and stage.runner.bug, KeyError)

    Stage().play(scene)


def test_an_error_in_the_state_machine_leaves_no_host_changed(monkeypatch: pytest.MonkeyPatch):
    """Then the machine cannot say what is to be done, and each host's own record restores it."""

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        assert not stage.is_as_found("dome")
        monkeypatch.setattr(runner_module, "handle", _raises(ZeroDivisionError("no such state")))
        await ends_in_order(stage)

    Stage().play(scene)


def test_a_host_that_the_broken_machine_cannot_reach_is_named_and_makes_exit_code_5(monkeypatch: pytest.MonkeyPatch):
    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        monkeypatch.setattr(runner_module, "handle", _raises(ZeroDivisionError("no such state")))
        stage.cut("hall")
        assert stage.running is not None
        assert await stage.running == 5
        assert stage.is_as_found("dome")
        words = {end.host: end.words for end in host_ends(stage.state)}
        assert words["hall"].startswith("NOT verified as found: recover: hall: connection refused")
        assert words["dome"] == "restored and verified as found"
        assert [name for name, host in stage.state.hosts.items() if not host.as_found] == ["hall"]

    Stage().play(scene)


@pytest.mark.parametrize("moment", ["listener", "conduct", "consider", "renewals", "journal", "loop"])
def test_an_error_anywhere_in_the_controller_ends_the_run_in_order(moment: str, monkeypatch: pytest.MonkeyPatch):
    async def scene(stage: Stage) -> None:
        runner = stage.runner
        assert runner is not None
        await stage.traffic_of(LARGE)
        broken = _raises(IndexError(moment))
        if moment == "listener":
            runner.listener = broken
        elif moment == "conduct":
            monkeypatch.setattr(runner_module, "judge", broken)
        elif moment == "consider":
            runner.advise = broken
            runner._start([do.Consider()])
        elif moment == "renewals":
            monkeypatch.setattr(runner.actions, "renew", broken)
        elif moment == "journal":
            monkeypatch.setattr(runner.journal, "append", broken)
        else:
            runner.unhandled(IndexError(moment))
        await ends_in_order(stage)
        assert isinstance(runner.bug, IndexError)

    async def at_once(work: Callable[[], object], timeout_s: float) -> object:
        """The virtual loop knows no threads."""
        return work()

    monkeypatch.setattr(runner_module, "in_thread", at_once)
    if moment == "renewals":  # a trial in which they are due
        long = Stage()
        long.setup = replace(long.setup, length_s=60.0)
        long.play(scene)
    else:
        Stage().play(scene)


def test_a_run_that_waits_for_what_nobody_does_is_ended(monkeypatch: pytest.MonkeyPatch):
    """A command that is lost on the way: without the last line of defence the run would wait for ever."""

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        monkeypatch.setattr(runner_module, "handle", lambda state, event: [])
        await ends_in_order(stage)
        assert isinstance(stage.runner and stage.runner.bug, BugError)
        assert "waits for what nobody does" in str(stage.runner and stage.runner.bug)

    Stage().play(scene)


def test_a_command_that_never_ends_is_ended_by_its_bound():
    async def scene(stage: Stage) -> None:
        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "apply":
                stage.world.before_message = stage.world._nothing
                await asyncio.get_running_loop().create_future()

        stage.world.before_message = before_message
        await ends_in_order(stage)
        assert "had not ended after" in str(stage.runner and stage.runner.bug)

    Stage().play(scene)


def test_a_bug_of_the_helper_is_no_property_of_a_cell():
    """An apply that fails by our own fault must not make cells impossible."""

    async def scene(stage: Stage) -> None:
        async def before_message(host: FakeHost, verb: str) -> None:
            if verb == "apply":
                stage.world.before_message = stage.world._nothing
                raise BugError("helper", "apply on dome: KeyError: 'level'")

        stage.world.before_message = before_message
        await ends_in_order(stage)
        assert set(stage.statuses().values()) <= {"valid"}

    Stage().play(scene)


def _raises(error: Exception) -> Callable[..., object]:
    def broken(*_: object, **__: object) -> object:
        raise error

    return broken


def at_work() -> RunState:
    """Two hosts, both asked to connect."""
    state = begin(replace(make_setup(3), hosts=("dome", "hall")))
    advance(state)
    return state


UNEXPECTED = {
    "an answer to another command": ev.LeaseAcquired("dome", 3),
    "an answer of a host that the plan does not know": ev.Connected("stranger", {}),
    "an end of a session that never was": ev.SessionLost("dome", LOST),
    "a trial that is not under way": ev.Conducted(1, 1, {}, {}),
    "a broken trial that is not under way": ev.ConductBroken(1, 1, LOST),
    "an addition that nobody thought about": ev.Extended([]),
    "a refusal of what was not asked": ev.HostFailed("dome", "Apply", LOST),
    "a host that says it is free": ev.Released("dome"),
}


@pytest.mark.parametrize("event", UNEXPECTED.values(), ids=UNEXPECTED)
def test_an_event_that_nobody_asked_for_ends_the_run_and_tells_what_happened_last(event: ev.Event):
    state = at_work()
    assert standing(state, event) is Standing.UNEXPECTED
    handle(state, event)
    assert state.stop == {"kind": "bug", "reason": state.bug}
    assert "was not expected" in state.bug
    if getattr(event, "host", "") == "dome":
        assert "awaited: Connect" in state.bug
        assert "before it: Connect" in state.bug


def test_an_answer_given_twice_is_unexpected_the_second_time():
    state = at_work()
    facts = {"interfaces": []}
    handle(state, ev.Connected("dome", facts))
    assert not state.bug
    handle(state, ev.Connected("dome", facts))
    assert "Connected of dome was not expected; awaited: nothing; before it: Connect, Connected" in state.bug


def test_an_answer_is_late_after_a_lost_session_or_an_abandoned_trial_and_only_once():
    state = at_work()
    state.hosts["dome"].facts, state.hosts["dome"].connected, state.hosts["dome"].awaited = {}, True, "Apply"
    handle(state, ev.SessionLost("dome", LOST))
    late = ev.Applied("dome", 1, [])
    assert standing(state, late) is Standing.LATE
    handle(state, late)
    assert not state.bug
    assert standing(state, late) is Standing.UNEXPECTED
    state.abandoned = Flight(3, 1)
    assert standing(state, ev.Conducted(3, 1, {}, {})) is Standing.LATE
    assert standing(state, ev.Conducted(3, 2, {}, {})) is Standing.UNEXPECTED


def test_a_lost_session_that_the_command_itself_has_met_leaves_no_answer_to_come():
    state = at_work()
    state.hosts["dome"].facts, state.hosts["dome"].connected, state.hosts["dome"].awaited = {}, True, "Apply"
    handle(state, ev.SessionLost("dome", LOST, "Apply"))
    assert standing(state, ev.Applied("dome", 1, [])) is Standing.UNEXPECTED


def test_every_event_has_a_handler_and_every_answer_a_command():
    assert set(machine._NOTE) == set(ev.EVENTS.values())
    asked = {kind for kind in vars(do).values() if isinstance(kind, type) and issubclass(kind, do.HostCommand)}
    assert set(actions_module._ACTIONS) == asked - {do.HostCommand}


def in_a_loop(work: Callable[[], Awaitable[None]]) -> None:
    """On the real clock."""

    async def run() -> None:
        await work()

    asyncio.run(run())


def test_the_death_of_a_task_is_heard_and_its_wanted_end_is_not():
    async def work() -> None:
        heard: list[BaseException] = []
        ends: list[None] = []
        tasks = Supervisor(lambda: ends.append(None))

        async def dies() -> None:
            raise OSError("died")

        tasks.begin(dies(), heard.append)
        stays = tasks.begin(asyncio.sleep(60), heard.append)
        by_others = tasks.begin(asyncio.sleep(60), heard.append)
        by_others.cancel()
        await asyncio.sleep(0.01)
        tasks.cancel(stays)
        await asyncio.sleep(0.01)
        assert [type(error) for error in heard] == [OSError, asyncio.CancelledError]
        assert len(ends) == 3
        assert tasks.idle

    in_a_loop(work)


def test_a_thread_that_raises_or_never_ends_holds_nobody_up():
    async def work() -> None:
        for error in (ValueError("wrong"), StopIteration()):
            with pytest.raises((ValueError, RuntimeError)):
                await in_thread(_raises(error), 5.0)
        assert await in_thread(lambda: 7, 5.0) == 7
        never = threading.Event()
        with pytest.raises(TimeoutError):
            await in_thread(never.wait, 0.05)
        never.set()

    in_a_loop(work)


def test_a_timeout_of_the_work_itself_is_not_taken_for_its_bound():
    async def work() -> None:
        async def times_out() -> None:
            raise TimeoutError("its own")

        with pytest.raises(TimeoutError, match="its own"):
            await within(times_out(), 5.0, "work")
        with pytest.raises(BugError, match=r"work had not ended after 0\.01 s"):
            await within(asyncio.sleep(5), 0.01, "work")
        with pytest.raises(HostError):
            await within(_fails(), 5.0, "work")

    async def _fails() -> None:
        raise HostError("refused", "no")

    in_a_loop(work)


def test_a_run_taken_up_again_after_a_fault_of_ours_is_not_ended_by_its_memory():
    state = begin(make_setup(1))
    state.bug, state.exit_code = "an earlier one", 4
    runner = runner_module.Runner(state, MemoryJournal(), HostActions(state, None, None), lambda *_: None)
    runner._handle(ev.Resumed())
    assert runner.bugs == []
