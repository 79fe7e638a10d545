"""One simulated run from a seed: the production state machine, runner, actions and trial against fake hosts."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

from orchestrator.act.actions import HostActions
from orchestrator.act.runner import Runner
from orchestrator.decide import events as ev
from orchestrator.decide.commands import Apply, Command
from orchestrator.decide.interval_lines import INTERVALS, IntervalLine
from orchestrator.decide.journal_lines import START, Entry, Walk, encode
from orchestrator.decide.replay import replay
from orchestrator.decide.setup import LinkSetup, PowerSwitch, RunSetup, setup_from_dict
from orchestrator.decide.state import RunState, begin, place_name
from orchestrator.onhost.refusal import Refusal
from orchestrator.planning.cells import Cell, SettingUse
from orchestrator.planning.order import SplitMix, Trial
from orchestrator.planning.traffic import DEFAULTS
from tests.sim.fake_host import FakeHost, same_in_simulation
from tests.sim.fake_session import Chance, FakeWorld
from tests.sim.results import path_results, traffic_results
from tests.sim.virtual_loop import VirtualLoop

Json = dict[str, Any]
SIMULATED_RUN_S = 4 * 3600.0  # a simulated run that takes longer has hung

# Probability per message (connection and host faults) or per half second or second of the night (the others).
FAULTS: dict[str, float] = {
    "connect_refused": 0.02,
    "connect_hangs": 0.01,
    "lost_before": 0.01,
    "answer_lost": 0.01,
    "answer_late": 0.003,
    "silent_before": 0.003,
    "slow": 0.01,
    "noise": 0.003,
    "restart": 0.003,
    "watchdog_killed": 0.005,
    "driver_rounds": 0.005,
    "driver_refuses": 0.005,
    "control_path_cut": 0.003,
    "job_dies": 0.02,
    "changed_outside": 0.003,
    "interrupted": 0.002,
    "terminated": 0.002,
    "twice_interrupted": 0.002,
    "controller_killed": 0.01,
    "controller_paused": 0.002,
    "long_cut": 0.0005,
    "host_down": 0.0005,
    "host_hangs": 0.0002,
    "path_small": 0.02,
    "journal_torn": 0.5,
    "journal_garbage": 0.3,
    "conflict": 0.0003,
}
BOOT_S = 20.0
NEW_KERNEL = "6.12.0-new"
FOREIGN_MTU = 4321  # what a stranger sets: neither ours nor the first value


class MemoryJournal:
    """The journal's file as bytes; a crash keeps what was flushed, and may leave a torn line behind it."""

    def __init__(self, data: bytes = b"") -> None:
        self.data = data
        walk = Walk(data.splitlines(keepends=True))
        entries = [line.entry() for line in walk if line.kind != INTERVALS]
        self._sum, self._number = walk.sum, walk.number
        if walk.cut:
            self.data = self.data[: walk.cut.byte]
        self.entries = entries

    def append_soon(self, line: IntervalLine) -> None:
        data, self._sum = encode(Entry(self._number + 1, "sim", INTERVALS, line.as_dict()), self._sum)
        self.data += data.encode() + b"\n"
        self._number += 1

    async def flush(self) -> bool:
        return True

    def append(self, kind: str, body: Json) -> Entry:
        line, self._sum = encode(Entry(self._number + 1, "sim", kind, body), self._sum if self._number else START)
        self.data += line.encode() + b"\n"
        self._number += 1
        entry = Entry(self._number, "sim", kind, json.loads(line)["body"])
        self.entries.append(entry)
        return entry


@dataclass
class Outcome:
    """What a simulated run came to."""

    exit_codes: list[int]
    state: RunState
    journal: bytes
    struck: Counter[str]
    violations: list[str] = field(default_factory=list)
    ended_s: float = 0.0


def make_setup(seed: int) -> RunSetup:
    """A small plan: two frame sizes, a clock policy, a lasting command; two or three hosts."""
    dice = SplitMix(seed ^ 0xC0FFEE)
    hosts = ("dome", "hall") if dice.below(4) else ("dome", "spare", "hall")
    cells = []
    for mtu in (1500, 9000):
        for polling in ("off", "on"):
            uses = [SettingUse(host, "eth1", "mtu", mtu, "mtu") for host in ("dome", "hall")]
            if polling == "on":
                switch = {"level": "on", "read": ["r"], "write": ["w", "{level}"]}
                uses.append(SettingUse("dome", "", "command", switch, "polling"))
                uses.append(SettingUse("dome", "", "governor", "performance", "clock"))
            cells.append(
                Cell(
                    len(cells) + 1,
                    f"mtu={mtu} polling={polling}",
                    {"mtu": mtu, "polling": polling},
                    tuple(uses),
                    "uplink",
                    dict(DEFAULTS),
                )
            )
    order = [(replicate, cell.number) for replicate in (1, 2) for cell in cells]
    schedule = tuple(
        Trial(position, cell, replicate, replicate, position) for position, (replicate, cell) in enumerate(order, 1)
    )
    link = LinkSetup("uplink", (("dome", "eth1"), ("hall", "eth1")), 1e9, (), tuple(range(20000, 20064)), True)
    return RunSetup(
        run_id=f"sim-{seed}",
        plan_name="sim",
        hosts=hosts,
        links=(link,),
        cells=tuple(cells),
        schedule=schedule,
        length_s=1.0,
        warmup_s=0.2,
        settle_s=0.1,
        lease_s=30.0,
        patience_s=600.0,
        seed=seed,
        changed_outside="reapply" if dice.below(2) else "stop",
        holder="sim",
    )


def with_kernels(setup: RunSetup) -> RunSetup:
    """The same plan with a kernel of its own for half of the cells, for which the dome computer is restarted."""

    def changed(cell: Cell) -> Cell:
        kernel = SettingUse("dome", "", "kernel", {"level": NEW_KERNEL}, "kernel", restarts=True)
        return replace(cell, settings=(kernel, *cell.settings)) if cell.levels["mtu"] == 9000 else cell

    return replace(setup, cells=tuple(changed(cell) for cell in setup.cells))


def with_switches(setup: RunSetup) -> RunSetup:
    """The same plan with a switch for every host's power, and so little patience that it is used."""
    return replace(
        setup, patience_s=90.0, power=tuple(PowerSwitch(name, ("plug", name), 3 * BOOT_S) for name in setup.hosts)
    )


def make_hosts(setup: RunSetup, kind: type[FakeHost] = FakeHost) -> dict[str, FakeHost]:
    """The machines of a plan, as found."""
    values = {("mtu", "eth1"): 1500, ("governor", ""): "schedutil", ("command", "polling"): "off"}
    return {name: kind(name, number, values) for number, name in enumerate(setup.hosts, 1)}


class Night:
    """A run from its beginning to its end, through as many controllers as it takes."""

    def __init__(
        self,
        seed: int,
        faults: dict[str, float] | None = None,
        calm_after_s: float = 900.0,
        kind: type[FakeHost] = FakeHost,
    ) -> None:
        self.seed = seed
        plan = with_switches(make_setup(seed)) if seed % 2 else make_setup(seed)
        if kind.starts_kernels and seed % 3 == 0:
            plan = with_kernels(plan)
        self.setup = setup_from_dict(json.loads(json.dumps(plan.as_dict())))
        self.hosts = make_hosts(self.setup, kind)
        self.going_down: dict[str, str] = {}  # host -> the start in which it was asked to restart
        for host in self.hosts.values():
            host.goes_down = self._goes_down
        self.before = {name: dict(host.values) for name, host in self.hosts.items()}
        self.chance = Chance(seed, FAULTS if faults is None else faults, calm_after_s=1000.0 + calm_after_s)
        self.world = FakeWorld(self.hosts, self.chance, self._path, traffic_results)
        self.journal = MemoryJournal()
        self.violations: list[str] = []
        self.exit_codes: list[int] = []
        self.switched: Counter[str] = Counter()  # how often each host's power was
        self.conflicts: set[str] = set()  # hosts on which a stranger has set something

    def _path(self, first: Json, second: Json) -> tuple[Json, Json]:
        carries = 1500 if self.chance.strikes("path_small", self.world.now()) else 9000
        return path_results(first, second, carries)

    def run(self) -> Outcome:
        loop = VirtualLoop()
        try:
            asyncio.set_event_loop(loop)
            loop.run_until_complete(asyncio.wait_for(self._simulated_run(), SIMULATED_RUN_S))
        finally:
            asyncio.set_event_loop(None)
            loop.close()
        state, _ = replay(self.journal.entries)
        self.chance.struck["power_switched"] += self.switched.total()
        return Outcome(self.exit_codes, state, self.journal.data, self.chance.struck, self.violations, loop.now)

    async def _simulated_run(self) -> None:
        machines = asyncio.ensure_future(self._machines())
        self.journal.append("setup", self.setup.as_dict())
        state, first = begin(self.setup), None
        for _ in range(60):  # controllers, one after the other
            code = await self._controller(state, first)
            if code is not None:
                self.exit_codes.append(code)
                self._as_the_code_says(code)
                all_up = all(host.up for host in self.hosts.values())
                if code in (0, 1) or (code == 5 and all_up and self._only_a_strangers_value_stays()):
                    break  # done, or nothing but a stranger's value is left, which is theirs to mend
            self.journal = MemoryJournal(self.journal.data)
            state, _ = replay(self.journal.entries)
            first = ev.Resumed()
            await asyncio.sleep(float(self.chance.below(90)))
        await asyncio.sleep(3 * self.setup.lease_s)  # leases of whoever died last run out
        machines.cancel()

    def _as_the_code_says(self, code: int) -> None:
        """Any exit code but 5 claims that every host is as it was found; 5 must have a reason."""
        if code == 5:
            return  # the hosts may differ; what is left is looked at when the night is over
        for name, host in self.hosts.items():
            if not host.runs_as_found():
                self.violations.append(f"exit code {code}, but {name} was left as a trial started it")
            if host.values != self.before[name] and name not in self.conflicts:
                self.violations.append(f"exit code {code}, but {name} is {host.values}, not {self.before[name]}")

    async def _machines(self) -> None:
        """The watchdogs, and what happens to machines while nobody asks them anything."""
        while True:
            await asyncio.sleep(0.5)
            for name, host in self.hosts.items():
                host.keep(self.world.now())
                if self.chance.strikes("changed_outside", self.world.now()):
                    host.values[("mtu", "eth1")] = self.before[name][("mtu", "eth1")]
                if self._changed_by_us(host) and self.chance.strikes("conflict", self.world.now()):
                    host.values[("mtu", "eth1")] = FOREIGN_MTU
                    self.conflicts.add(name)
                if self.chance.strikes("long_cut", self.world.now()):
                    self._cut(name, 120.0 + self.chance.below(200))
                if self.chance.strikes("host_down", self.world.now()):
                    self._power_off(name, 20.0 + self.chance.below(60))
                if host.up and self.chance.strikes("host_hangs", self.world.now()):
                    self._hang(name, 700.0 + self.chance.below(300))

    def _only_a_strangers_value_stays(self) -> bool:
        stays = {
            value
            for name, host in self.hosts.items()
            for place, value in host.values.items()
            if value != self.before[name][place]
        }
        return stays == {FOREIGN_MTU}

    def _changed_by_us(self, host: FakeHost) -> bool:
        """Whether its frame size is: another run's lease, or a place without a change, is not ours to tell."""
        record = host.record
        return bool(
            record
            and record["run_id"] == self.setup.run_id
            and any(change["setting"] == "mtu" for change in record["changes"])
        )

    def _hang(self, name: str, seconds: float) -> None:
        """It answers nothing, and its watchdog sleeps, until its power is switched or a person comes by."""
        host = self.hosts[name]
        host.up = False
        self.world.lose_all(name)
        asyncio.get_running_loop().call_later(seconds, self._person_comes, name)

    def _person_comes(self, name: str) -> None:
        if not self.hosts[name].up:
            self._power_off(name, BOOT_S)

    def _goes_down(self, name: str) -> None:
        """A host that was asked to restart does so once, a moment later."""
        host = self.hosts[name]
        if self.going_down.get(name) != host.boot_id:
            self.going_down[name] = host.boot_id
            asyncio.get_running_loop().call_later(1.0, self._if_still_up, name, host.boot_id)

    def _if_still_up(self, name: str, boot: str) -> None:
        if self.hosts[name].up and self.hosts[name].boot_id == boot:
            self._power_off(name, BOOT_S)

    async def _switch(self, switch: PowerSwitch) -> None:
        """The switch on the wall, as the plan says it is used."""
        name = switch.host
        self.switched[name] += 1
        if switch.command != ("plug", name) or self.switched[name] > 2:
            self.violations.append(f"{name} was switched {self.switched[name]} times by {switch.command}")
        self._power_off(name, BOOT_S)

    def _cut(self, name: str, seconds: float) -> None:
        self.world.cut.add(name)
        self.world.lose_all(name)
        asyncio.get_running_loop().call_later(seconds, self.world.cut.discard, name)

    def _power_off(self, name: str, seconds: float) -> None:
        host = self.hosts[name]
        host.up = False
        host.restart()
        self.world.lose_all(name)
        asyncio.get_running_loop().call_later(seconds, setattr, host, "up", True)

    async def _controller(self, state: RunState, first: ev.Event | None) -> int | None:
        """One controller until it ends, or None when it was killed."""
        actions = HostActions(state, self.world.connect, same_in_simulation, self._switch)  # type: ignore[arg-type]
        runner = Runner(state, self.journal, actions, self._watch)  # type: ignore[arg-type]
        running = asyncio.ensure_future(runner.run(first))
        while not running.done():
            await asyncio.wait({running}, timeout=1.0)
            if running.done():
                break
            if self.chance.strikes("controller_killed", self.world.now()):
                return await self._kill(running, actions)
            if self.chance.strikes("controller_paused", self.world.now()):
                await self._pause()
            if self.chance.strikes("interrupted", self.world.now()):
                runner.post(ev.StopAsked("interrupt", "interrupted"))
            if self.chance.strikes("terminated", self.world.now()):
                runner.post(ev.StopAsked("terminate", "terminated"))
            if self.chance.strikes("twice_interrupted", self.world.now()):
                runner.post(ev.StopAsked("interrupt", "interrupted"))
                runner.post(ev.StopAsked("interrupt", "interrupted"))
        if runner.bug is not None:
            self.violations.append(f"a bug of ours: {runner.bug!r}")
        return await running

    async def _pause(self) -> None:
        """SIGSTOP for longer than the lease; somebody else takes a host meanwhile, and what they set must stay."""
        self.world.paused_until = self.world.now() + 150.0
        await asyncio.sleep(100.0)
        name = min(self.hosts)
        host = self.hosts[name]
        try:
            taken = host.do("lease.acquire", {"run_id": "other", "holder": "other", "lease_s": 120.0}, self.world.now())
        except Refusal:
            return  # not free: the host owes something, or was never let go
        place = {"setting": "mtu", "target": "eth1", "level": 2000}
        token, boot = {"token": taken["token"]}, host.boot_id
        host.do("prepare", {**token, "interfaces": [], "places": [place]}, self.world.now())
        host.do("apply", {**token, "uses": [place]}, self.world.now())
        await asyncio.sleep(70.0)  # the first controller has woken up, and tries
        if host.boot_id == boot and host.record and host.record["token"] == token["token"]:
            if host.values[("mtu", "eth1")] not in (2000, self.before[name][("mtu", "eth1")], FOREIGN_MTU):
                self.violations.append(f"{name} was changed under another run's lease")
            host.do("restore", token, self.world.now())
            if not host.record["changes"]:
                host.do("lease.release", token, self.world.now())

    async def _kill(self, running: asyncio.Future[int], actions: HostActions) -> None:
        """SIGKILL: no clean-up runs; sessions drop; the journal may have a torn line."""
        for session in list(actions.sessions.values()):
            session.lose()  # type: ignore[attr-defined]
        frozen = self.journal.data
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        self.journal.data = frozen
        last = frozen.rstrip(b"\n").rfind(b"\n")
        if self.chance.strikes("journal_torn", self.world.now()):
            self.journal.data = frozen + frozen[last + 1 : last + 40]
        elif self.chance.strikes("journal_garbage", self.world.now()):
            self.journal.data = frozen + b"\x00" * 40 + b"\n"

    def _watch(self, state: RunState, item: ev.Event | Command | str) -> None:
        """Invariants that hold after every step."""
        if isinstance(item, Apply):
            self._before_values_are_safe(state, item)
        if isinstance(item, ev.Conducted) and item.verdict["status"] == "valid":
            self._measured_as_claimed(item)
        if len(self.journal.entries) > 3000:
            raise AssertionError("a run that does not come to an end")

    def _before_values_are_safe(self, state: RunState, command: Apply) -> None:
        for use in command.uses:
            place = place_name(use)
            if place not in state.hosts[command.host].before:
                self.violations.append(f"{place} changed on {command.host} without a before-value in the journal")

    def _measured_as_claimed(self, event: ev.Conducted) -> None:
        for uses in event.record["settings"].values():
            if not all(use["ok"] for use in uses):
                self.violations.append(f"trial {event.position} is valid although a setting did not hold")
