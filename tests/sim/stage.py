"""One run on the virtual clock, undisturbed but for what a scene does to it at a moment of its choice.

The controller is the production one, and so are the helper's functions on both hosts.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any, TypeVar

from orchestrator.act.actions import HostActions
from orchestrator.act.recovering import Recovered, recover_host
from orchestrator.act.runner import Runner
from orchestrator.decide import events as ev
from orchestrator.decide.commands import Command
from orchestrator.decide.replay import replay
from orchestrator.decide.state import RunState, begin, changed_places
from tests.sim.fake_host import FakeHost, same_in_simulation
from tests.sim.fake_session import Chance, FakeSession, FakeWorld
from tests.sim.helper_host import HelperHost, helpers
from tests.sim.results import path_results, traffic_results
from tests.sim.sim import MemoryJournal, make_hosts, make_setup
from tests.sim.virtual_loop import VirtualLoop

TICK_S = 0.5  # how often a watchdog looks at the clock
LEASE_S = 30.0
MTU, POLLING = ("mtu", "eth1"), ("command", "polling")
R = TypeVar("R", bound=Runner)
TIMEOUT_S = 4 * 3600.0


class HookedSession(FakeSession):
    """Before a message reaches its host the scene may hold it up, or raise what its loss would."""

    async def request(self, verb: str, args: dict[str, Any] | None = None, timeout_s: float = 10.0) -> dict[str, Any]:
        world = self.world
        assert isinstance(world, HookedWorld)
        await world.before_message(self.host, verb)
        return await super().request(verb, args, timeout_s)


class HookedWorld(FakeWorld):
    """A world without faults of its own."""

    def __init__(self, hosts: dict[str, FakeHost]) -> None:
        super().__init__(hosts, Chance(1, {}, calm_after_s=0), lambda a, b: path_results(a, b, 9000), traffic_results)
        self.before_message: Callable[[FakeHost, str], Awaitable[None]] = self._nothing

    async def connect(self, name: str) -> FakeSession:
        await super().connect(name)
        self.open[-1] = HookedSession(self, self.hosts[name])
        return self.open[-1]

    async def _nothing(self, host: FakeHost, verb: str) -> None:
        """No scene, no disturbance."""


class Stage:
    """Two hosts, a plan of four cells twice over, and the controller that runs it."""

    def __init__(self, changed: tuple[str, ...] = ("dome", "hall")) -> None:
        """The plan sets frame sizes on the hosts in `changed`, and on dome a lasting command if dome is one."""
        whole = make_setup(3)
        cells = tuple(
            replace(cell, settings=tuple(use for use in cell.settings if use.host in changed)) for cell in whole.cells
        )
        self.setup = replace(whole, hosts=("dome", "hall"), cells=cells, lease_s=LEASE_S, changed_outside="reapply")
        self.hosts = make_hosts(self.setup, HelperHost)
        self.before = {name: dict(host.values) for name, host in self.hosts.items()}
        self.world = HookedWorld(self.hosts)
        self.journal = MemoryJournal()
        self.runner: Runner | None = None
        self.running: asyncio.Future[int] | None = None

    def play(self, scene: Callable[[Stage], Awaitable[None]], timeout_s: float = TIMEOUT_S) -> None:
        """The controller starts, then the scene from its beginning to its end; the watchdogs are awake all the time."""
        loop = VirtualLoop()
        try:
            with helpers():
                loop.run_until_complete(asyncio.wait_for(self._play(scene), timeout_s))
        finally:
            loop.close()

    async def _play(self, scene: Callable[[Stage], Awaitable[None]]) -> None:
        watchdogs = asyncio.ensure_future(self.watchdogs())
        self.start()
        await scene(self)
        watchdogs.cancel()
        await self.kill()
        await asyncio.gather(watchdogs, *self.world.meetings, return_exceptions=True)

    async def watchdogs(self) -> None:
        """Every host's watchdog, looking at the clock for ever."""
        while True:
            await asyncio.sleep(TICK_S)
            for host in self.hosts.values():
                host.keep(self.now())

    def now(self) -> float:
        """Seconds of the virtual clock, which is also every host's CLOCK_BOOTTIME."""
        return asyncio.get_running_loop().time()

    def start(self) -> None:
        """A controller: the first of a run, or one that goes on from the journal."""
        self.runner, first = self.controller(Runner)
        self.running = asyncio.ensure_future(self.runner.run(first))

    def controller(self, kind: type[R]) -> tuple[R, ev.Event | None]:
        """A controller that has not begun, and the event to begin with; none at a run's beginning."""
        first: ev.Event | None = None
        state = begin(self.setup)
        if self.journal.entries:
            self.journal = MemoryJournal(self.journal.data)
            state, first = replay(self.journal.entries)[0], ev.Resumed()
        else:
            self.journal.append("setup", self.setup.as_dict())
        actions = HostActions(state, self.world.connect, same_in_simulation)  # type: ignore[arg-type]
        return kind(state, self.journal, actions, self._watch), first  # type: ignore[arg-type]

    async def exit_code(self) -> int:
        """What the controller ends with; a bug of ours is raised."""
        assert self.running is not None
        assert self.runner is not None
        code = await self.running
        if self.runner.bug is not None:
            raise self.runner.bug
        return code

    async def traffic_of(self, position: int) -> None:
        """Until the traffic of this trial is under way."""
        while not (self.state.position == position and self._traffic_runs()):
            assert self.running is not None
            assert not self.running.done(), f"the run ended before trial {position}"
            await asyncio.sleep(0.01)

    def _traffic_runs(self) -> bool:
        return any(
            job.verb == "traffic.dial" and not job.stages and not job.future.done()
            for session in self.world.open
            for job in session.jobs
        )

    def drop_sessions(self) -> None:
        """The controller is gone: whatever it had opened ends."""
        for session in self.world.open:
            session.lose()

    async def kill(self) -> None:
        """SIGKILL of the controller: its sessions drop, and nothing more reaches the journal."""
        frozen = self.journal.data
        self.drop_sessions()
        assert self.running is not None
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self.journal.data = frozen

    def cut(self, *names: str) -> None:
        """The way to these hosts is gone, and every session with it."""
        for name in names:
            self.world.cut.add(name)
            self.world.lose_all(name)

    def mend(self, *names: str) -> None:
        """Undo `cut`."""
        self.world.cut.difference_update(names)

    async def recover(self, name: str, run_id: str | None = None) -> Recovered:
        """`linktrial recover` of one host, by this run's journal."""
        state = replay(self.journal.entries)[0]
        return await recover_host(
            name,
            self.world.connect,  # type: ignore[arg-type]
            self.setup.run_id if run_id is None else run_id,
            changed_places(state, name),
            same_in_simulation,
        )

    @property
    def state(self) -> RunState:
        """What the controller knows."""
        assert self.runner is not None
        return self.runner.state

    def deadline_s(self, name: str) -> float:
        """When this host's lease runs out, on the virtual clock."""
        record = self.hosts[name].record
        assert record is not None
        return float(record["deadline_ns"]) / 1e9

    def is_as_found(self, name: str) -> bool:
        """Whether every value of the host is what it was before the run."""
        return self.hosts[name].values == self.before[name]

    def rejoined(self, name: str) -> list[str]:
        """In what condition the controller has found this host whenever it had lost it."""
        return [
            entry.body["outcome"]
            for entry in self.journal.entries
            if entry.kind == "event" and entry.body["event"] == "Rejoined" and entry.body["host"] == name
        ]

    def statuses(self) -> dict[int, str]:
        """Status of every trial by its place in the schedule."""
        return {position: outcome["status"] for position, outcome in sorted(self.state.outcomes.items())}

    def all_valid(self) -> bool:
        """Whether every trial of the schedule was measured under the conditions that its cell claims."""
        return self.statuses() == dict.fromkeys((trial.position for trial in self.state.schedule), "valid")

    def nothing_of_ours(self) -> bool:
        """Whether no host has a record or a watchdog of ours."""
        return all(host.record is None and not host.watchdog for host in self.hosts.values())

    def _watch(self, state: RunState, item: ev.Event | Command | str) -> None:
        """Nobody looks on."""
