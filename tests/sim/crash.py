"""Stop a run at every step, with every fate of what was not flushed, and its recovery at every step again.

A step is one append to the journal or one message that reaches a host. At a step the controller dies: before it, or
after it with the answer lost. A journal line that was being written then is lost, whole, torn, or followed by garbage.
"""

from __future__ import annotations

import asyncio
import copy
import itertools
from collections.abc import Coroutine, Iterator
from dataclasses import replace
from typing import Any

from orchestrator.act.actions import HostActions
from orchestrator.act.recovering import recover_host
from orchestrator.act.runner import Runner
from orchestrator.decide.commands import Command
from orchestrator.decide.events import Event
from orchestrator.decide.journal_lines import Entry
from orchestrator.decide.replay import replay
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState, begin, changed_places
from orchestrator.faults import HostError
from tests.sim.fake_host import FakeHost, same_in_simulation
from tests.sim.fake_session import Chance, FakeSession, FakeWorld
from tests.sim.results import path_results, traffic_results
from tests.sim.sim import MemoryJournal, make_hosts, make_setup
from tests.sim.virtual_loop import VirtualLoop

FATES = ("lost", "whole", "torn", "garbage")


class Died(BaseException):
    """The controller is no more: nothing it does after this reaches anybody."""


class Steps:
    """Counts the steps of a controller, and kills it at the chosen one."""

    def __init__(self, die_at: int, fate: str) -> None:
        self.die_at, self.fate = die_at, fate
        self.count = 0
        self.died = asyncio.Event()

    def step(self) -> bool:
        """Whether the controller dies at this step; Died when it is dead already."""
        if self.died.is_set():
            raise Died
        self.count += 1
        if self.count == self.die_at:
            self.died.set()
            return True
        return False


class CrashJournal(MemoryJournal):
    """A journal whose last line may come to grief."""

    def __init__(self, steps: Steps, data: bytes = b"") -> None:
        super().__init__(data)
        self.steps = steps

    def append(self, kind: str, body: dict[str, Any]) -> Entry:
        dies = self.steps.step()
        before = self.data
        entry = super().append(kind, body)
        if dies:
            line = self.data[len(before) :]
            kept = {"lost": b"", "whole": line, "torn": line[: len(line) // 2], "garbage": b"\0" * 30 + b"\n"}
            self.data = before + kept[self.steps.fate]
            raise Died
        return entry


class CrashSession(FakeSession):
    """A session of a controller that may die before a message leaves, or before its answer comes."""

    steps: Steps

    async def request(self, verb: str, args: dict[str, Any] | None = None, timeout_s: float = 10.0) -> dict[str, Any]:
        if self.steps.step() and self.steps.fate in ("lost", "torn"):
            raise Died
        answer = await super().request(verb, args, timeout_s)
        if self.steps.died.is_set():
            raise Died
        return answer


class CrashWorld(FakeWorld):
    """The line to the hosts, for a controller that may die."""

    steps: Steps

    async def connect(self, name: str) -> FakeSession:
        await super().connect(name)
        session = CrashSession(self, self.hosts[name])
        session.steps = self.steps
        self.open.append(session)
        return session


class Case:
    """One run, killed once or twice."""

    def __init__(self) -> None:
        whole = make_setup(3)
        cells = tuple(whole.cells[place] for place in (1, 2, 3, 0))  # a lasting command comes, goes, and comes again
        schedule = tuple(
            replace(trial, cell=cell.number, position=position)
            for position, (trial, cell) in enumerate(zip(whole.schedule, cells, strict=False), 1)
        )
        self.setup: RunSetup = replace(
            whole, hosts=("dome", "hall"), cells=cells, schedule=schedule, length_s=0.1, warmup_s=0.0, settle_s=0.0
        )
        self.hosts: dict[str, FakeHost] = make_hosts(self.setup)
        self.before = {name: dict(host.values) for name, host in self.hosts.items()}
        self.world = CrashWorld(
            self.hosts, Chance(1, {}, calm_after_s=0), lambda a, b: path_results(a, b, 9000), traffic_results
        )
        self.data = b""
        self.problems: list[str] = []
        self.now_s = 1000.0
        self.known: dict[str, Any] | None = None  # before-values by the journal, which a recovery does not change

    def stop_run_at(self, step: int, fate: str) -> int:
        """Run, and die at a step (0: never); the number of steps."""
        return self._in_time(self._stopped(step, fate))

    def cut_power(self) -> None:
        """Every host restarts, with what survives that."""
        for host in self.hosts.values():
            host.restart()

    def recover(self, die_at: int = 0, fate: str = "lost") -> int:
        """Recover, and die at a step of that (0: never); the number of steps."""
        return self._in_time(self._recovered(die_at, fate))

    def fork(self) -> Case:
        """The same hosts, journal and time, to go on with in another way."""
        other = Case()
        other.hosts = copy.deepcopy(self.hosts)
        other.world.hosts = other.hosts
        other.data, other.now_s, other.known = self.data, self.now_s, self._known_before()
        return other

    def look(self) -> list[str]:
        """What is not as it was found."""
        for name, host in self.hosts.items():
            if host.values != self.before[name]:
                self.problems.append(f"{name} is {host.values}, was {self.before[name]}")
            if host.record is not None or host.watchdog:
                self.problems.append(f"{name} still has a record or a watchdog of ours")
        return self.problems

    def _in_time(self, work: Coroutine[Any, Any, int]) -> int:
        loop = VirtualLoop(self.now_s)
        try:
            return loop.run_until_complete(asyncio.wait_for(work, 10_000))
        finally:
            self.now_s = loop.now
            loop.close()

    async def _stopped(self, step: int, fate: str) -> int:
        steps = self._controller(step, fate)
        await self._until_dead(self._drive(steps), steps)
        return steps.count

    async def _recovered(self, die_at: int, fate: str) -> int:
        steps = self._controller(die_at, fate)
        await self._until_dead(self._recover(), steps)
        return steps.count

    def _controller(self, die_at: int, fate: str) -> Steps:
        self.world.steps = Steps(die_at, fate)
        return self.world.steps

    async def _until_dead(self, work: Any, steps: Steps) -> None:
        """Run until the end or the death of the controller; then its sessions are gone."""
        task, dead = asyncio.ensure_future(work), asyncio.ensure_future(steps.died.wait())
        await asyncio.wait({task, dead}, return_when=asyncio.FIRST_COMPLETED)
        for one in (task, dead):
            one.cancel()
        results = await asyncio.gather(task, dead, return_exceptions=True)
        for session in self.world.open:
            session.lose()
        if isinstance(results[0], Exception) and not steps.died.is_set():
            raise results[0]

    async def _drive(self, steps: Steps) -> None:
        journal = CrashJournal(steps)
        state = begin(self.setup)
        actions = HostActions(state, self.world.connect, same_in_simulation)  # type: ignore[arg-type]
        runner = Runner(state, journal, actions, self._watch)  # type: ignore[arg-type]
        try:
            journal.append("setup", self.setup.as_dict())
            await runner.run()
        finally:
            self.data = journal.data

    async def _recover(self) -> None:
        known = self._known_before()
        for name in self.setup.hosts:
            try:
                found = await recover_host(
                    name,
                    self.world.connect,  # type: ignore[arg-type]
                    self.setup.run_id,
                    known[name],
                    same_in_simulation,
                )
            except HostError as error:
                self.problems.append(f"recover {name}: {error.code}")
                continue
            if not found.as_found:
                self.problems.append(f"{name} not as found: {found.left} {found.conflicts}")

    def _known_before(self) -> dict[str, Any]:
        if self.known is None:
            entries = MemoryJournal(self.data).entries
            state = replay(entries)[0] if entries else begin(self.setup)
            self.known = {name: changed_places(state, name) for name in self.setup.hosts}
        return self.known

    def _watch(self, state: RunState, item: Event | Command | str) -> None:
        """Nobody looks on."""


def single_crashes() -> Iterator[tuple[int, str]]:
    """Every step of an undisturbed run, with every fate."""
    return itertools.product(range(1, Case().stop_run_at(0, "lost") + 1), FATES)
