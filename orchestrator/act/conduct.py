"""One trial, from the settings read back to the settings read again: what design calls a trial, in its order."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from orchestrator.act.clocks import HostClock, read_clock
from orchestrator.act.path_proof import PathEnd, prove_path, wait_for_stage
from orchestrator.act.session import HostSession, Job
from orchestrator.decide.ends import addresses_of, interface_facts, interface_of
from orchestrator.decide.outside import CHANGED_OUTSIDE, changed_outside
from orchestrator.decide.search import confirming_step, is_search, search_rules, searched
from orchestrator.decide.setup import TRAFFIC_SLACK_S
from orchestrator.decide.state import RunState, place_of
from orchestrator.decide.traffic_args import LinkFacts, link_rate_bit_s, ports_for, traffic_args
from orchestrator.faults import HostError, LinkError
from orchestrator.metrics.throughput_search import NextTrial, advance
from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial

Json = dict[str, Any]
READY_BOUND_S = 45.0  # a copper link renegotiates in 2..7 s; drivers and switches may take several times that
FORWARDING_BOUND_S = 60.0  # a port with spanning tree forwards after twice its delay, 30 s by default
PATH_BOUND_S = FORWARDING_BOUND_S + 30.0
LEAD_S = 0.08  # from telling both ends until traffic starts: some round trips over SSH


@dataclass
class End:
    """One end of the link in this trial."""

    host: str
    session: HostSession
    token: int
    interface: str
    address: str
    facts: Json


class ConductedTrial:
    """Carries a trial out and keeps its record; a session that is lost on the way raises HostError."""

    def __init__(self, state: RunState, trial: Trial, sessions: dict[str, HostSession],
                 tell: Callable[[str], None]) -> None:
        """`tell` receives a few words on what is happening, for the person who watches."""
        self.state, self.trial, self.sessions, self.tell = state, trial, sessions, tell
        self.cell: Cell = state.setup.cell(trial.cell)
        self.link = state.setup.link(self.cell.link)
        self.clock = asyncio.get_running_loop().time  # the monotonic clock, or a test's own
        self.started_s = self.clock()
        self.traffic_s = 0.0
        self.tokens = {name: host.token for name, host in state.hosts.items()}  # with which the trial began
        self.record: Json = {
            "trial": trial.position, "attempt": state.attempt, "cell": trial.cell, "replicate": trial.replicate,
            "block": trial.block, "whole_plot": trial.whole_plot, "position": trial.position, "role": trial.role,
            "link": self.cell.link, "levels": dict(self.cell.levels), "traffic": dict(self.cell.traffic),
            "started_at": datetime.now(UTC).isoformat(timespec="milliseconds"), "link_facts": None,
            "settings": {}, "ready": {}, "path": None, "first": None, "second": None, "after": {},
            "settle_s": 0.0, "overhead_s": 0.0, "error": None,
        }

    async def conduct(self) -> Json:
        """The trial's record; what the cell or the path cannot do is in it, not raised."""
        try:
            await self._conduct()
        except LinkError as error:
            self.record["error"] = error.as_dict()
        busy_s = self.record["settle_s"] + self.traffic_s
        self.record["took_s"] = round(self.clock() - self.started_s, 4)
        self.record["overhead_s"] = round(self.clock() - self.started_s - busy_s, 4)
        return self.record

    async def _conduct(self) -> None:
        first, second = self._ends()
        if not await self._settings_hold("settings"):
            return
        if not await self._ready(first, second):
            return
        await self._forget(first, second)
        facts = self._link_facts(first, second)
        self.record["link_facts"] = facts.as_dict()
        if not await self._path_carries(first, second, facts):
            return
        await self._settle()
        if is_search(self.cell):
            await self._search(first, second, facts)
        else:
            results = await self._traffic(first, second, facts, self.state.setup.length_of(self.trial))
            self.record["first"], self.record["second"] = results
        await self._look_again(first, second)

    async def _search(self, first: End, second: End, facts: LinkFacts) -> None:
        """Trial after trial at the rates that the search asks for; the confirming one is the result."""
        rules = search_rules(self.cell, facts, self.state.setup.length_of(self.trial))
        steps: list[Json] = []
        while isinstance(step := advance(rules, [searched(one) for one in steps]), NextTrial):
            self.tell(f"search: {step.rate_bit_s / 1e6:.5g} Mb/s for {step.length_s:g} s")
            mine, theirs = await self._traffic(first, second, facts, step.length_s, step.rate_bit_s)
            steps.append({"asked_bit_s": step.rate_bit_s, "length_s": step.length_s, "full_length": step.full_length,
                          "first": mine, "second": theirs})
        self.record["search"] = {"steps": steps, "answer": asdict(step), "role": "confirm"}
        best = confirming_step(steps, step)
        if best is None:
            raise LinkError("no_throughput", step.sentence, link=self.link.name)
        self.record["first"], self.record["second"] = best["first"], best["second"]

    def _ends(self) -> tuple[End, End]:
        (a, selector_a), (b, selector_b) = self.link.ends
        host_a, host_b = self.state.hosts[a], self.state.hosts[b]
        name_a = interface_of(selector_a, host_a.facts or {}, a)
        name_b = interface_of(selector_b, host_b.facts or {}, b)
        facts_a, facts_b = interface_facts(name_a, host_a.facts or {}), interface_facts(name_b, host_b.facts or {})
        self.family, local_a, local_b = addresses_of(self.link, facts_a, facts_b, self.cell.traffic["ip"])
        return (End(a, self._session(a), host_a.token, name_a, local_a, facts_a),
                End(b, self._session(b), host_b.token, name_b, local_b, facts_b))

    def _session(self, name: str) -> HostSession:
        """The host's session; it may have been lost and taken away since the trial began."""
        session = self.sessions.get(name)
        if session is None:
            raise HostError("lost", f"{name}: the session was lost", host=name)
        return session

    async def _settings_hold(self, when: str) -> bool:
        """Read every setting of the cell back on both hosts; what was refused while applying counts as read."""
        found: dict[str, list[Json]] = {}
        for name, host in self.state.hosts.items():
            refused = [use for use in self.state.applied.get(name, []) if not use["ok"]]
            places = [{**host.places[place_of(use, host)], "level": use.level}
                      for use in self.cell.settings if use.host == name]
            if refused and when == "settings":
                found[name] = refused
            elif places:
                answer = await self._session(name).request("verify", {"uses": places}, bound_s=30.0)
                found[name] = answer["uses"]
            else:
                found[name] = []
        target = self.record if when == "settings" else self.record["after"]
        target["settings"] = found
        if when == "settings" and not any(not use["ok"] for uses in self.state.applied.values() for use in uses):
            await self._raise_if_changed_outside()
        return all(use["ok"] for uses in found.values() for use in uses)

    async def _raise_if_changed_outside(self) -> None:
        """What took its level a moment ago and does not hold it now was changed by somebody else."""
        changed = changed_outside(self.record["settings"])
        if changed:
            await self._still_held()
            names = ", ".join(f"{item['setting']} on {item['host']}" for item in changed)
            raise HostError(CHANGED_OUTSIDE, f"{names} was changed by somebody else before the trial could begin",
                            host=changed[0]["host"], changed=changed,
                            next_step="find what sets it: a network manager, a tuning service, a person")

    async def _ready(self, first: End, second: End) -> bool:
        ends = (first, second)
        answers = await asyncio.gather(*(
            end.session.request("ready", {"interface": end.interface, "family": self.family, "address": end.address,
                                          "bound_s": READY_BOUND_S}, bound_s=READY_BOUND_S + 10) for end in ends))
        self.record["ready"] = {end.host: answer for end, answer in zip(ends, answers, strict=True)}
        for end, answer in zip(ends, answers, strict=True):
            if not answer["ready"]:
                why = answer.get("why", "")
                raise LinkError("not_ready", f"{end.host}: {end.interface} did not become ready: {why}",
                                next_step="look at the cable, the peer and the link's settings", host=end.host)
        return True

    async def _forget(self, first: End, second: End) -> None:
        """What was learned about the peer in an earlier cell must not decide this one."""
        await asyncio.gather(*(
            end.session.request("forget", {"interface": end.interface, "peer": peer.address},
                                bound_s=15.0)
            for end, peer in ((first, second), (second, first))))

    def _link_facts(self, first: End, second: End) -> LinkFacts:
        now = [{**end.facts, **self.record["ready"][end.host]} for end in (first, second)]
        about = [{"host": end.host, "interface": end.interface, "address": end.address, "mtu": facts["mtu"],
                  "speed_bit_s": facts.get("speed_bit_s"), "driver": facts.get("driver", "")}
                 for end, facts in zip((first, second), now, strict=True)]
        mtu = int(min(facts["mtu"] for facts in now))
        return LinkFacts(link_rate_bit_s(self.link, *now), self.family, mtu, *about)

    async def _path_carries(self, first: End, second: End, facts: LinkFacts) -> bool:
        port = ports_for(self.link, self.trial, self.state.setup.seed, 1)[0]
        ends = (PathEnd(end.session, end.interface, end.address) for end in (first, second))
        self.record["path"] = await prove_path(*ends, family=facts.family, port=port, mtu=facts.mtu,
                                               small_bound_s=FORWARDING_BOUND_S, follow=self._follow)
        return str(self.record["path"]["verdict"]) == "open"

    async def _follow(self, job: Job) -> Json:
        """The job's result, its events passed on to the person who watches."""
        saying = asyncio.ensure_future(self._pass_on(job))
        try:
            return await job.result()
        finally:
            saying.cancel()
            await asyncio.gather(saying, return_exceptions=True)

    async def _pass_on(self, job: Job) -> None:
        while True:
            self.tell(str((await job.event(PATH_BOUND_S)).get("say", "")))

    async def _settle(self) -> None:
        settle_s = self.state.setup.settle_s
        await asyncio.sleep(settle_s)
        self.record["settle_s"] = settle_s

    async def _traffic(self, first: End, second: End, facts: LinkFacts, length_s: float,
                       asked_bit_s: float | None = None) -> tuple[Json, Json]:
        """(dialling end's, serving end's) result of traffic for this long; `asked_bit_s` instead of the cell's rate."""
        setup = self.state.setup
        traffic_s = setup.warmup_s + length_s
        self.traffic_s += traffic_s
        bound_s = traffic_s + TRAFFIC_SLACK_S
        await asyncio.gather(*(end.session.request("lease.renew", {
            "token": end.token, "lease_s": setup.lease_s + bound_s}, bound_s=10.0) for end in (first, second)))
        dial_args, serve_args = traffic_args(self.cell, self.link, self.trial, facts, seed=setup.seed,
                                             token=secrets.token_hex(32), bound_s=bound_s, asked=asked_bit_s)
        serve = second.session.start("traffic.serve", serve_args, bound_s=bound_s + 10)
        jobs = [serve]
        try:
            await wait_for_stage(serve, "listening", 15.0)
            dial = first.session.start("traffic.dial", dial_args, bound_s=bound_s + 10)
            jobs.append(dial)
            await asyncio.gather(wait_for_stage(dial, "connected", 20.0), wait_for_stage(serve, "connected", 20.0))
            clocks = await asyncio.gather(read_clock(first.session), read_clock(second.session))
            await self._give_windows((dial, serve), clocks, length_s)
            mine, theirs = await asyncio.gather(dial.result(), serve.result())
        except BaseException:
            await asyncio.gather(*(job.cancel() for job in jobs), return_exceptions=True)
            raise
        return mine, theirs

    async def _give_windows(self, jobs: tuple[Job, Job], clocks: Sequence[HostClock], length_s: float) -> None:
        setup = self.state.setup
        start = self.clock() + LEAD_S
        window = start + setup.warmup_s
        for job, clock in zip(jobs, clocks, strict=True):
            window_from_ns = clock.host_ns(window)
            await job.tell({"start_ns": clock.host_ns(start), "window_from_ns": window_from_ns,
                            "window_to_ns": window_from_ns + round(length_s * 1e9)})
        self.record["clock_error_s"] = max(clock.error_s for clock in clocks)

    async def _still_held(self) -> None:
        """A host that has put itself back does not wait for us any more: its refusal has the trial repeated."""
        wanted = {"lease_s": self.state.setup.lease_s}
        await asyncio.gather(*(self._session(name).request("lease.renew", {"token": token, **wanted}, bound_s=15.0)
                               for name, token in self.tokens.items()))

    async def _look_again(self, first: End, second: End) -> None:
        """Settings, speed and boot once more: a trial stands only if the cell's conditions held to its end."""
        if not await self._settings_hold("after"):
            await self._still_held()
        answers = await asyncio.gather(*(end.session.request("facts", {}, bound_s=15.0) for end in (first, second)))
        self.record["after"]["speed_bit_s"] = {
            end.host: interface_facts(end.interface, answer)["speed_bit_s"]
            for end, answer in zip((first, second), answers, strict=True)}
        self.record["after"]["boot_id"] = {end.host: answer["boot_id"]
                                           for end, answer in zip((first, second), answers, strict=True)}
        self.record["before"] = {"boot_id": {name: (host.facts or {}).get("boot_id")
                                             for name, host in self.state.hosts.items()}}
