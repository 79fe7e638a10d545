"""A whole run, one command at a time, while anything may happen between two of them: the hosts end as they were found.

The state machine, the runner's answers, the actions and the helper's functions are the production ones; the line
between them, the clock and the kernel are simulated. hypothesis chooses which command is carried out next and what
happens before it. The model is: every value is as found, or the host's record owes it, or the journal knows it
(a restart took the record), or a stranger has set it.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Coroutine
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from orchestrator.act.runner import Runner
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.machine import advance
from orchestrator.decide.replay import replay
from orchestrator.decide.state import place_name
from tests.sim.fake_host import LASTING
from tests.sim.fake_session import Chance
from tests.sim.helper_host import helpers
from tests.sim.stage import MTU, Stage
from tests.sim.virtual_loop import VirtualLoop

HOSTS = ("dome", "hall")
STRANGE_MTU = 4321
NEXT_MESSAGE = (
    "lost_before",
    "answer_lost",
    "silent_before",
    "answer_late",
    "noise",
    "connect_refused",
    "job_dies",
    "driver_rounds",
    "driver_refuses",
    "watchdog_killed",
    "restart",
)
MOST_CONTROLLERS, MOST_COMMANDS = 12, 400


class Ordered(Chance):
    """Faults that strike the next message, once, because somebody said so."""

    def __init__(self) -> None:
        super().__init__(1, {}, calm_after_s=0)
        self.ordered: set[str] = set()

    def strikes(self, name: str, now_s: float) -> bool:
        struck = name in self.ordered
        self.ordered.discard(name)
        return struck


class SteppedRunner(Runner):
    """The runner, but nothing is begun before somebody says so."""

    waiting: list[Any]

    def _start(self, commands: list[do.Command]) -> None:
        for command in commands:
            self._announce(command)
            if isinstance(command, do.Abandon):
                self.waiting = [other for other in self.waiting if not isinstance(other, do.Conduct)]
            elif not isinstance(command, do.Finish):
                self.waiting.append(command)

    def begin(self, first: ev.Event | None) -> None:
        """What the state machine wants first."""
        self.waiting = []
        self._start(self._handle(first) if first else advance(self.state))

    def hear(self) -> None:
        """Everything that has happened since."""
        while not self.events.empty():
            if (event := self.events.get_nowait()) is not None:
                self._start(self._handle(event))

    async def carry_out(self, command: Any) -> None:
        """One command to its end."""
        self.waiting.remove(command)
        await (self._conduct(command) if isinstance(command, do.Conduct) else self._act(command))


class RunAgainstModel(RuleBasedStateMachine):
    """One run on two hosts, through several controllers if need be."""

    def __init__(self) -> None:
        super().__init__()
        self.helpers = helpers()
        self.helpers.__enter__()
        self.loop = VirtualLoop()
        asyncio.set_event_loop(self.loop)
        self.stage = Stage()
        self.chance = Ordered()
        self.stage.world.chance = self.chance
        self.strangers: set[str] = set()
        self._new_controller()

    def _new_controller(self) -> None:
        self.stage.drop_sessions()
        self.runner, first = self.stage.controller(SteppedRunner)
        self.runner.begin(first)

    def run_through(self, work: Coroutine[Any, Any, None]) -> None:
        """Do it, the watchdogs awake meanwhile; then hear what has happened."""

        async def both() -> None:
            watchdogs = asyncio.ensure_future(self.stage.watchdogs())
            await asyncio.wait_for(work, 2000)
            watchdogs.cancel()
            await asyncio.gather(watchdogs, return_exceptions=True)

        self.loop.run_until_complete(both())
        self.runner.hear()
        assert self.runner.bug is None, repr(self.runner.bug)

    @precondition(lambda self: self.runner.waiting)
    @rule(count=st.integers(1, 12), which=st.integers(0, 3))
    def the_run_goes_on(self, count: int, which: int) -> None:
        for _ in range(count):
            if self.runner.waiting:
                self.carry_out_one(which)

    def carry_out_one(self, which: int) -> None:
        waiting = self.runner.waiting
        self.run_through(self.runner.carry_out(waiting[which % len(waiting)]))

    @precondition(lambda self: self.runner.waiting)
    @rule(fault=st.sampled_from(NEXT_MESSAGE), which=st.integers(0, 3))
    def a_command_meets_a_fault(self, fault: str, which: int) -> None:
        self.chance.ordered.add(fault)
        self.carry_out_one(which)
        self.chance.ordered.clear()

    @rule(seconds=st.sampled_from((1.0, 10.0, 40.0, 300.0)))
    def time_passes(self, seconds: float) -> None:
        self.run_through(asyncio.sleep(seconds))

    @rule(name=st.sampled_from(HOSTS))
    def a_session_ends(self, name: str) -> None:
        self.stage.world.lose_all(name)

    @rule(name=st.sampled_from(HOSTS))
    def a_host_restarts(self, name: str) -> None:
        self.stage.hosts[name].restart()
        self.stage.world.lose_all(name)

    @rule(name=st.sampled_from(HOSTS))
    def a_watchdog_is_killed(self, name: str) -> None:
        self.stage.hosts[name].watchdog = False

    @rule(name=st.sampled_from((*HOSTS, "", "", "", "")))
    def a_stranger_sets_the_frame_size(self, name: str) -> None:
        """Seldom: what a stranger has touched can be judged less strictly."""
        if name:
            self.stage.hosts[name].values[MTU] = STRANGE_MTU
            self.strangers.add(name)

    @rule(kind=st.sampled_from(("interrupt", "terminate")))
    def somebody_stops_the_run(self, kind: str) -> None:
        self.runner.post(ev.StopAsked(kind, kind))
        self.runner.hear()

    @rule()
    def another_controller_takes_over(self) -> None:
        """The first was killed, or has ended early."""
        state, _ = replay(self.stage.journal.entries)
        assert state == self.runner.state, "the journal is all there is to know"
        if state.exit_code not in (0, 1):
            self._new_controller()

    @invariant()
    def every_change_is_owed_by_somebody_who_knows(self) -> None:
        for name, host in self.stage.hosts.items():
            owed = {(one["setting"], one["target"]) for one in (host.record or {"changes": []})["changes"]}
            by_journal = self.runner.state.hosts[name].ours
            for place, value in host.values.items():
                known = place in owed or (
                    place[0] in LASTING and place_name({"setting": place[0], "target": place[1]}) in by_journal
                )
                assert value == self.stage.before[name][place] or known or name in self.strangers, (name, place, value)

    @invariant()
    def nothing_is_measured_before_both_ends_are_ready(self) -> None:
        if any(isinstance(command, do.Conduct) for command in self.runner.waiting):
            assert all(host.before for host in self.runner.state.hosts.values())

    @invariant()
    def an_exit_code_is_believed(self) -> None:
        code = self.runner.state.exit_code
        if code not in (None, 5):
            for name in set(HOSTS) - self.strangers:
                assert self.stage.is_as_found(name), (code, name, self.stage.hosts[name].values)

    def teardown(self) -> None:
        """Left alone from here on, the run ends and the hosts are as found, or told to be a stranger's."""
        try:
            for _ in range(MOST_CONTROLLERS):
                self._until_the_end()
                if self.runner.state.exit_code in ((0, 1, 5) if self.strangers else (0, 1)):
                    break
                self.another_controller_takes_over()
            self._all_is_well()
        finally:
            asyncio.set_event_loop(None)
            self.loop.close()
            self.helpers.__exit__(None, None, None)

    def _until_the_end(self) -> None:
        for _ in range(MOST_COMMANDS):
            if not self.runner.waiting:
                break
            self.carry_out_one(0)
        assert self.runner.state.exit_code is not None, "a run that waits for nothing and has not ended"
        self.an_exit_code_is_believed()

    def _all_is_well(self) -> None:
        for name, host in self.stage.hosts.items():
            if name not in self.strangers:
                assert self.stage.is_as_found(name)
            elif not self.stage.is_as_found(name):
                assert host.values[MTU] == STRANGE_MTU
        if self.runner.state.exit_code != 5 or not self.strangers:
            assert self.runner.state.exit_code in (0, 1)
            assert set(self.runner.state.outcomes) == {trial.position for trial in self.stage.setup.schedule}


TestRunAgainstModel = RunAgainstModel.TestCase
TestRunAgainstModel.settings = settings(
    max_examples=int(os.environ.get("LINKTRIAL_EXAMPLES", "25")),
    stateful_step_count=50,
    derandomize="LINKTRIAL_EXAMPLES" not in os.environ,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
