"""Sessions to fake hosts, with everything that can go wrong between a controller and a host.

A fault is drawn for each message from the seed; every fault has a name and is counted, so that a fault that never
struck can be told.
"""

from __future__ import annotations

import asyncio
import copy
import json
from collections import Counter
from collections.abc import Callable
from typing import Any

from orchestrator.faults import HostError
from orchestrator.onhost.refusal import Refusal
from orchestrator.planning.order import SplitMix
from tests.sim.fake_host import FakeHost
from tests.sim.results import traffic_results

Json = dict[str, Any]
LATENCY_S = 0.002
LOOK_EVERY_S = 0.2  # of a watch for changes from outside


class Chance:
    """The seed's dice: which fault strikes next, and how often each has."""

    def __init__(self, seed: int, faults: dict[str, float], *, calm_after_s: float) -> None:
        """`faults` maps names to probabilities per message; after `calm_after_s` the world behaves."""
        self._dice = SplitMix(seed)
        self._faults = faults
        self._calm_after_s = calm_after_s
        self.struck: Counter[str] = Counter()

    def strikes(self, name: str, now_s: float) -> bool:
        """Whether this fault happens now."""
        rate = self._faults.get(name, 0.0)
        if rate and now_s < self._calm_after_s and self._dice.below(1_000_000) < rate * 1_000_000:
            self.struck[name] += 1
            return True
        return False

    def below(self, bound: int) -> int:
        """A number below the bound."""
        return self._dice.below(bound)


class FakeWorld:
    """The hosts and the line to them."""

    def __init__(
        self,
        hosts: dict[str, FakeHost],
        chance: Chance,
        path: Callable[[Json, Json], tuple[Json, Json]],
        traffic: Callable[[Json, Json], tuple[Json, Json]],
    ) -> None:
        """`path` and `traffic` make the two ends' results from the two ends' arguments."""
        self.hosts, self.chance = hosts, chance
        self.make_path, self.make_traffic = path, traffic
        self.cut: set[str] = set()  # hosts whose control path is down
        self.paused_until = 0.0  # the controller does not run before
        self.open: list[FakeSession] = []
        self.meeting: dict[str, Any] = {}
        self.meetings: list[asyncio.Future[None]] = []
        self.measured_while_wrong: list[Json] = []

    def now(self) -> float:
        return asyncio.get_running_loop().time()

    async def connect(self, name: str) -> FakeSession:
        await asyncio.sleep(LATENCY_S * 5)
        host = self.hosts[name]
        if name in self.cut or not host.up or self.chance.strikes("connect_refused", self.now()):
            raise HostError("refused", f"{name}: connection refused", host=name)
        if self.chance.strikes("connect_hangs", self.now()):
            await asyncio.sleep(30.0)
            raise HostError("silent", f"{name}: no answer", host=name)
        session = FakeSession(self, host)
        self.open.append(session)
        return session

    def lose_all(self, name: str) -> None:
        """Every session of a host ends."""
        for session in self.open:
            if session.host.name == name:
                session.lose()


class FakeJob:
    """A job under way on a fake host."""

    def __init__(self, session: FakeSession, verb: str, args: Json) -> None:
        self.session, self.verb, self.args = session, verb, args
        self.ending_at_once = False  # its stages are still told although its result is there
        self.told: asyncio.Queue[Json] = asyncio.Queue()
        self.intervals: asyncio.Queue[Json | None] = asyncio.Queue()
        self.future: asyncio.Future[Json] = asyncio.get_running_loop().create_future()
        self.future.add_done_callback(lambda future: future.cancelled() or future.exception())
        self.future.add_done_callback(lambda _: self.intervals.put_nowait(None))
        self.stages = ["connected"] if verb == "traffic.dial" else ["listening", "connected"]
        session.jobs.append(self)

    @property
    def done(self) -> bool:
        return self.future.done()

    async def event(self, timeout_s: float = 30.0) -> Json:
        await asyncio.sleep(LATENCY_S)
        if self.future.done() and not self.ending_at_once:
            self.future.result()
        if not self.stages:
            await asyncio.wait({self.future}, timeout=timeout_s)
            self.future.result()
            raise self.session.error("no_event")
        return {"stage": self.stages.pop(0)}

    async def next_event(self) -> Json | None:
        """What is measured, as it is told; None when all has been."""
        return await self.intervals.get()

    async def tell(self, body: Json) -> None:
        if self.session.dead:
            raise self.session.error("lost")
        self.told.put_nowait(body)

    async def result(self) -> Json:
        return await self.future

    async def cancel(self) -> None:
        if not self.future.done():
            self.future.set_exception(self.session.error("cancelled"))

    def end(self, result: Json) -> None:
        if not self.future.done():
            self.future.set_result(copy.deepcopy(result))


class FakeWatch(FakeJob):
    """A host that watches its values for changes from outside, on the virtual clock."""

    def __init__(self, session: FakeSession, verb: str, args: Json) -> None:
        super().__init__(session, verb, args)
        self._events: asyncio.Queue[Json] = asyncio.Queue()
        self._events.put_nowait({"stage": "watching"})
        self._changes: list[Json] = []
        self._expected = {
            (one["setting"], one["target"]): session.host.values.get((one["setting"], one["target"]))
            for one in [*args["uses"], *args["as_found"]]
        }
        session.world.meetings.append(asyncio.ensure_future(self._watch()))

    async def _watch(self) -> None:
        while not self.future.done() and self.told.empty():
            self._look()
            await asyncio.sleep(LOOK_EVERY_S)
        self._look()
        self.end({"changes": self._changes, "readings": 1, "cost_cpu_s": 0.0})

    def _look(self) -> None:
        values = self.session.host.values
        for (setting, target), before in self._expected.items():
            now = values.get((setting, target))
            what = f"{setting} of {target}"
            if now != before and not any(one["what"] == what and one["now"] == str(now) for one in self._changes):
                self._changes.append(
                    {
                        "setting": setting,
                        "target": target,
                        "what": what,
                        "before": str(before),
                        "now": str(now),
                        "by": "",
                        "at_wall_ns": 0,
                    }
                )
                self._events.put_nowait({"stage": "changed", "change": self._changes[-1]})

    async def event(self, timeout_s: float = 30.0) -> Json:
        waiting = asyncio.ensure_future(self._events.get())
        try:
            await asyncio.wait({waiting, self.future}, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
            if waiting.done():
                return waiting.result()
        finally:
            waiting.cancel()
            await asyncio.gather(waiting, return_exceptions=True)
        self.future.result()
        raise self.session.error("no_event")


class FakeSession:
    """What `act.session.HostSession` is to the controller."""

    def __init__(self, world: FakeWorld, host: FakeHost) -> None:
        self.world, self.host = world, host
        self.dead = False
        self.line = None  # no renewals but over SSH: there are no datagrams here
        self.shares_link = False
        self.peer_address = ""
        self.jobs: list[FakeJob] = []

    def error(self, code: str) -> HostError:
        return HostError(code, f"{self.host.name}: {code}", host=self.host.name)

    def lose(self) -> None:
        """The connection is gone; the helper and its jobs end, the watchdog stays."""
        self.dead = True
        for job in self.jobs:
            if not job.future.done():
                job.future.set_exception(self.error("lost"))

    async def close(self) -> None:
        self.lose()

    def share_link(self, line: None, *, over: bool = False) -> None:
        """Traffic that may leave this session no room begins, or is over."""
        self.line, self.shares_link = line, not over

    async def request(self, verb: str, args: Json | None = None, timeout_s: float = 10.0) -> Json:
        args = json.loads(json.dumps(args or {}))
        strikes = self.world.chance.strikes
        self._accidents()
        await asyncio.sleep(max(LATENCY_S, self.world.paused_until - self.world.now()))
        if self.dead or strikes("lost_before", self.world.now()):
            self.lose()
            raise self.error("lost")
        if strikes("slow", self.world.now()):
            await asyncio.sleep(timeout_s * 0.9)
        if strikes("silent_before", self.world.now()):
            await asyncio.sleep(timeout_s)
            raise self.error("silent")
        if not self.host.up or self.dead:
            raise self.error("lost")
        try:
            answer = json.loads(json.dumps(self.host.do(verb, args, self.world.now())))
        except Refusal as refusal:
            error = HostError(refusal.code, f"{self.host.name}: {refusal.message}", host=self.host.name)
            error.values = {**refusal.values, "verb": verb}
            raise error from refusal
        await asyncio.sleep(LATENCY_S)
        if strikes("answer_lost", self.world.now()):
            self.lose()
            raise self.error("lost")
        if strikes("answer_late", self.world.now()):
            await asyncio.sleep(timeout_s)
            raise self.error("silent")
        if strikes("noise", self.world.now()):
            self.lose()
            raise self.error("noise")
        return answer

    def _accidents(self) -> None:
        """Things that happen to the machine itself, whatever is being asked."""
        now, strikes, host = self.world.now(), self.world.chance.strikes, self.host
        if strikes("restart", now):
            host.restart()
            self.world.lose_all(host.name)
        if strikes("watchdog_killed", now):
            host.watchdog = False
        if strikes("driver_rounds", now):
            host.rounding = True
            asyncio.get_running_loop().call_later(20.0, setattr, host, "rounding", False)
        if strikes("driver_refuses", now):
            host.refusing = "mtu"
            asyncio.get_running_loop().call_later(20.0, setattr, host, "refusing", "")
        if strikes("control_path_cut", now):
            self.world.cut.add(host.name)
            self.world.lose_all(host.name)
            asyncio.get_running_loop().call_later(
                float(5 + self.world.chance.below(60)), self.world.cut.discard, host.name
            )

    def start(self, verb: str, args: Json | None = None, *, timeout_s: float = 60.0) -> FakeJob:
        if self.dead:
            raise self.error("lost")
        if verb == "external.watch":
            return FakeWatch(self, verb, json.loads(json.dumps(args or {})))
        job = FakeJob(self, verb, json.loads(json.dumps(args or {})))
        if job.args.get("interface") == "lo":  # the pair against itself
            return self._alone(job)
        token = job.args["token"]
        other = self.world.meeting.pop(token, None)
        if other is None:
            self.world.meeting[token] = job
        else:
            self.world.meetings.append(asyncio.ensure_future(self._meet(job, other)))
        if self.world.chance.strikes("job_dies", self.world.now()):
            job.future.set_exception(self.error("died"))
        return job

    def _alone(self, job: FakeJob) -> FakeJob:
        """Loopback: reported at once."""
        first, second = traffic_results({**job.args, "rate_bit_s": 2e10}, job.args)
        job.end(first if job.verb == "traffic.dial" else second)
        job.ending_at_once = True
        return job

    async def _meet(self, dialer: FakeJob, server: FakeJob) -> None:
        """Both ends are there: the path is proven or traffic runs, on the virtual clock."""
        lost = asyncio.ensure_future(_either_ends(dialer, server))
        going = asyncio.ensure_future(self._go(dialer, server))
        await asyncio.wait({lost, going}, return_when=asyncio.FIRST_COMPLETED)
        lost.cancel()
        going.cancel()
        await asyncio.gather(lost, going, return_exceptions=True)

    async def _go(self, dialer: FakeJob, server: FakeJob) -> None:
        make = self.world.make_path if dialer.verb.startswith("path") else self.world.make_traffic
        if dialer.verb.startswith("traffic"):
            window = await dialer.told.get()
            await server.told.get()
            await asyncio.sleep((window["window_to_ns"] - window["start_ns"]) / 1e9)
        else:
            await asyncio.sleep(0.1)
        dialed, served = make(dialer.args, server.args)
        dialer.end(dialed)
        server.end(served)


async def _either_ends(dialer: FakeJob, server: FakeJob) -> None:
    await asyncio.wait({dialer.future, server.future}, return_when=asyncio.FIRST_COMPLETED)
