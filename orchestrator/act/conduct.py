"""One trial, from the settings read back to the settings read again: what design calls a trial, in its order."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime

from orchestrator.act.clocks import HostClock, lead_s, read_clock
from orchestrator.act.external import ExternalWatch, external_change
from orchestrator.act.in_band import HOST_PAUSE_S, SharedEnd, in_band
from orchestrator.act.legs import End, Leg, look_at, watch_orders
from orchestrator.act.looking_at_ends import who_else_answers
from orchestrator.act.path_proof import PathEnd, prove_path, wait_for_stage
from orchestrator.act.session import HostSession, Job
from orchestrator.act.still_held import still_held
from orchestrator.act.supervised import all_of, end_heard, raise_own
from orchestrator.act.wiring import wired_elsewhere
from orchestrator.decide.as_found.somebody_else import CHANGED_OUTSIDE, changed_outside, taken_away
from orchestrator.decide.foreseen import IMPOSSIBLE, why_foreseen
from orchestrator.decide.interval_lines import IntervalLine, line_from
from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.answering import questions_of
from orchestrator.decide.links.ends import interface_facts, interface_of
from orchestrator.decide.links.shared_paths import only_ssh_renews
from orchestrator.decide.search import confirming_step, is_search, search_rules, searched
from orchestrator.decide.setup import TRAFFIC_SLACK_S
from orchestrator.decide.shapes.flows import EndResult
from orchestrator.decide.shapes.path import PathProofEnd
from orchestrator.decide.shapes.record import EndFacts, LinkRecord, Ready, SearchStep, TrialRecord, new_record
from orchestrator.decide.shapes.uses import AppliedUse
from orchestrator.decide.state import MOST_ATTEMPTS, RunState, facts_of, place_of
from orchestrator.decide.traffic_args import LinkFacts, link_rate_bit_s, ports_for, traffic_args
from orchestrator.faults import HostError, LinkError
from orchestrator.metrics import clock_skew
from orchestrator.metrics.throughput_search import NextTrial, advance
from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial
from orchestrator.stored import Json

READY_TIMEOUT_S = 45.0  # a copper link renegotiates in 2..7 s; drivers and switches may take several times that
READY_AGAIN_TIMEOUT_S = 15.0  # where it has been waited for already
OTHERS_PAUSE_S = 5.0  # a network manager that restarts takes about that long
FORWARDING_TIMEOUT_S = 60.0  # a port with spanning tree forwards after twice its delay, 30 s by default
PATH_TIMEOUT_S = FORWARDING_TIMEOUT_S + 30.0


class ConductedTrial:
    """Carries a trial out and keeps its record; a session that is lost on the way raises HostError."""

    def __init__(
        self,
        state: RunState,
        trial: Trial,
        sessions: dict[str, HostSession],
        tell: Callable[[str], None],
        keep: Callable[[IntervalLine], None],
        answered: set[str] | None = None,
        control: Mapping[str, frozenset[str]] | None = None,
    ) -> None:
        """`tell` receives a few words on what is happening, for the person who watches; `keep` what is measured.

        `answered` names the links on which nobody else answers for the run's own addresses; it grows. `control` says by
        which interfaces SSH reaches each host.
        """
        self.answered, self.control = set() if answered is None else answered, control or {}
        self.state, self.trial, self.sessions, self.tell, self.keep = state, trial, sessions, tell, keep
        self.windows = 0  # how many have been counted in this attempt
        self.cell: Cell = state.setup.cell(trial.cell)
        self.clock = asyncio.get_running_loop().time  # the monotonic clock, or a test's own
        self.started_s = self.clock()
        self.traffic_s = 0.0
        self.tokens = {name: host.token for name, host in state.hosts.items()}  # with which the trial began
        started_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        self.record = new_record(trial, self.cell, state.attempt, started_at)

    async def conduct(self) -> TrialRecord:
        """The trial's record; what the cell or the path cannot do is in it, not raised."""
        try:
            await self._conduct()
        except LinkError as error:
            self.record["error"] = error.as_dict()
        except HostError as error:
            await self._wait_for_others_to_finish(error)
            raise
        busy_s = (self.record["settle_s"] or 0.0) + self.traffic_s
        self.record["took_s"] = round(self.clock() - self.started_s, 4)
        self.record["overhead_s"] = round(self.clock() - self.started_s - busy_s, 4)
        return self.record

    async def _conduct(self) -> None:
        if why := why_foreseen(self.state, self.cell):
            raise LinkError(IMPOSSIBLE, why, next_step="leave these levels out together")
        legs = [
            self._leg(link, record)
            for link, record in zip(self.cell.links, (self.record, *(self.record.get("beside") or ())), strict=True)
        ]
        if not await self._settings_hold("settings"):
            return
        async with ExternalWatch(watch_orders(self.state, self.cell, legs), self._still_held) as watch:
            await watch.unless_changed(self._measure(legs))

    async def _measure(self, legs: Sequence[Leg]) -> None:
        """From the links' readiness to the settings read again; both ends watch for changes from outside meanwhile."""
        known: list[tuple[Leg, LinkFacts]] = []
        for leg in legs:
            await self._ready(leg)
            await self._forget(leg)
            await self._nobody_else_answers(leg)
            facts = self._link_facts(leg)
            leg.record["link_facts"] = facts.as_dict()
            if not await self._path_carries(leg, facts):
                return
            known.append((leg, facts))
        await self._settle()
        if is_search(self.cell):
            await self._search(*known[0])
        else:
            results = await self._traffic(known, self.state.setup.length_of(self.trial))
            for leg, (mine, theirs) in zip(legs, results, strict=True):
                leg.record["first"], leg.record["second"] = mine, theirs
        await self._look_again(legs)

    async def _wait_for_others_to_finish(self, error: HostError) -> None:
        """What no level of the plan can mend (an address, a link switched off) may come back: a service restarts."""
        left = any(not change["setting"] for change in error.values.get("changed") or ())
        if error.code == CHANGED_OUTSIDE and left and self.state.attempt < MOST_ATTEMPTS:
            await asyncio.sleep(OTHERS_PAUSE_S)

    async def _search(self, leg: Leg, facts: LinkFacts) -> None:
        """Trial after trial at the rates that the search asks for; the confirming one is the result."""
        rules = search_rules(self.cell, facts, self.state.setup.length_of(self.trial))
        steps: list[SearchStep] = []
        while isinstance(step := advance(rules, [searched(one) for one in steps]), NextTrial):
            self.tell(f"search: {step.rate_bit_s / 1e6:.5g} Mb/s for {step.length_s:g} s")
            [(mine, theirs)] = await self._traffic([(leg, facts)], step.length_s, step.rate_bit_s)
            steps.append(
                {
                    "intended_load_bit_s": step.rate_bit_s,
                    "length_s": step.length_s,
                    "full_length": step.full_length,
                    "first": mine,
                    "second": theirs,
                }
            )
        self.record["search"] = {"steps": steps, "answer": asdict(step), "role": "confirm"}
        best = confirming_step(steps, step)
        if best is None:
            raise LinkError("no_throughput", step.sentence, link=leg.link.name)
        self.record["first"], self.record["second"] = best["first"], best["second"]

    def _leg(self, name: str, record: LinkRecord) -> Leg:
        link = self.state.setup.link(name)
        (a, selector_a), (b, selector_b) = link.ends
        host_a, host_b = self.state.hosts[a], self.state.hosts[b]
        name_a = interface_of(selector_a, host_a.facts or {}, a)
        name_b = interface_of(selector_b, host_b.facts or {}, b)
        facts_a, facts_b = interface_facts(name_a, host_a.facts or {}), interface_facts(name_b, host_b.facts or {})
        family, local_a, local_b = addresses_of(link, facts_a, facts_b, self.cell.traffic["ip"])
        return Leg(
            link,
            End(a, self._session(a), host_a.token, name_a, local_a, facts_a),
            End(b, self._session(b), host_b.token, name_b, local_b, facts_b),
            family,
            record,
        )

    def _session(self, name: str) -> HostSession:
        """The host's session; it may have been lost and taken away since the trial began."""
        session = self.sessions.get(name)
        if session is None:
            raise HostError("lost", f"{name}: the session was lost", host=name)
        return session

    async def _settings_hold(self, when: str) -> bool:
        """Read every setting of the cell back on both hosts; what was refused while applying counts as read."""
        found: dict[str, list[AppliedUse]] = {}
        for name, host in self.state.hosts.items():
            refused = [use for use in self.state.applied.get(name, []) if not use["ok"]]
            places = [
                {**host.places[place_of(use, host)], "level": use.level}
                for use in self.cell.settings
                if use.host == name
            ]
            if refused and when == "settings":
                found[name] = refused
            elif places:
                answer = await self._session(name).request("verify", {"uses": places}, timeout_s=30.0)
                found[name] = answer["uses"]
            else:
                found[name] = []
        if when == "settings":
            self.record["settings"] = found
        else:
            self.record["after"]["settings"] = found
        if when == "settings" and not any(not use["ok"] for uses in self.state.applied.values() for use in uses):
            await self._raise_if_changed_outside()
        return all(use["ok"] for uses in found.values() for use in uses)

    async def _raise_if_changed_outside(self) -> None:
        """What took its level a moment ago and does not hold it now was changed by somebody else."""
        changed = changed_outside(self.record["settings"])
        if changed:
            await self._still_held()
            raise external_change(changed)

    async def _ready(self, leg: Leg) -> None:
        timeout_s = READY_TIMEOUT_S if self.state.attempt == 1 else READY_AGAIN_TIMEOUT_S
        answers: list[Ready] = await all_of(
            *(
                end.session.request(
                    "ready",
                    {"interface": end.interface, "family": leg.family, "address": end.address, "timeout_s": timeout_s},
                    timeout_s=timeout_s + 10,
                )
                for end in leg.ends
            )
        )
        leg.record["ready"] = {end.host: answer for end, answer in zip(leg.ends, answers, strict=True)}
        for end, answer in zip(leg.ends, answers, strict=True):
            if not answer["ready"]:
                why = answer.get("why", "")
                if taken := taken_away(end.host, end.interface, end.address, answer):
                    raise external_change([taken])
                raise LinkError(
                    "not_ready",
                    f"{end.host}: {end.interface} did not become ready: {why}",
                    next_step=look_at(end, answer),
                    host=end.host,
                )

    async def _forget(self, leg: Leg) -> None:
        """What was learned about the peer in an earlier cell must not decide this one."""
        await all_of(
            *(
                end.session.request("forget", {"interface": end.interface, "peer": peer.address}, timeout_s=15.0)
                for end, peer in (leg.ends, leg.ends[::-1])
            )
        )

    def _link_facts(self, leg: Leg) -> LinkFacts:
        ready = [leg.record["ready"][end.host] for end in leg.ends]
        about: list[EndFacts] = [
            {
                "host": end.host,
                "interface": end.interface,
                "address": end.address,
                "mtu": now.get("mtu", end.facts["mtu"]),
                "speed_bit_s": now.get("speed_bit_s", end.facts.get("speed_bit_s")),
                "driver": end.facts.get("driver", ""),
            }
            for end, now in zip(leg.ends, ready, strict=True)
        ]
        return LinkFacts(link_rate_bit_s(leg.link, *about), leg.family, min(end["mtu"] for end in about), *about)

    async def _nobody_else_answers(self, leg: Leg) -> None:
        """Addresses that the run itself has given could not be asked for before it began: once they are there."""
        present = {each["address"] for end in leg.ends for each in end.facts["addresses"]}
        if leg.link.name in self.answered or leg.family != 4 or {end.address for end in leg.ends} <= present:
            return
        if fault := await self._who_else_answers(leg):
            raise LinkError(fault.code, fault.message, next_step=fault.next_step, link=leg.link.name)
        self.answered.add(leg.link.name)

    async def _who_else_answers(self, leg: Leg) -> HostError | None:
        for question in questions_of(
            leg.link, (leg.first.interface, leg.second.interface), (leg.first.address, leg.second.address)
        ):
            if fault := await who_else_answers(question, facts_of(self.state), self.sessions):
                return fault
        return None

    async def _path_carries(self, leg: Leg, facts: LinkFacts) -> bool:
        port = self._ports(leg)[0]
        ends = (PathEnd(end.session, end.interface, end.address, end.host) for end in leg.ends)
        path = leg.record["path"] = await prove_path(
            *ends,
            family=facts.family,
            port=port,
            mtu=facts.mtu,
            small_timeout_s=FORWARDING_TIMEOUT_S,
            follow=self._follow,
        )
        if path["verdict"] in ("silent", "refused"):
            path["sentence"] = await self._where_frames_go(leg, path["sentence"])
        return path["verdict"] == "open"

    def _ports(self, leg: Leg) -> list[int]:
        setup = self.state.setup
        at_once = [setup.link(name) for name in self.cell.links]
        return ports_for(leg.link, self.cell, self.trial, setup.seed, at_once)

    async def _where_frames_go(self, leg: Leg, sentence: str) -> str:
        """Another interface may answer for an end; a cable may be crossed: broadcast frames say where it ends."""
        if leg.family == 4 and (fault := await self._who_else_answers(leg)):
            return f"{fault.message}: {fault.next_step}"
        indexes = {(end.host, end.interface): end.facts["index"] for end in leg.ends}
        sessions = {end.host: end.session for end in leg.ends}
        first, second = indexes
        elsewhere = await wired_elsewhere(leg.link.name, sessions, (first, second), indexes)
        return f"{elsewhere}; {sentence}" if elsewhere else sentence

    async def _follow(self, job: Job) -> PathProofEnd:
        """The job's result, its events passed on to the person who watches."""
        saying = asyncio.ensure_future(self._pass_on(job))
        try:
            result: PathProofEnd = await job.result()
        finally:
            await end_heard(saying)
        return result

    async def _pass_on(self, job: Job) -> None:
        while True:
            self.tell(str((await job.event(PATH_TIMEOUT_S)).get("say", "")))

    async def _settle(self) -> None:
        settle_s = self.state.setup.settle_s
        await asyncio.sleep(settle_s)
        self.record["settle_s"] = settle_s

    async def _traffic(
        self, legs: Sequence[tuple[Leg, LinkFacts]], length_s: float, intended_load_bit_s: float | None = None
    ) -> list[tuple[EndResult, EndResult]]:
        """(dialling end's, serving end's) result of each link, in one window for all of them.

        `intended_load_bit_s` takes the place of the cell's rate.
        """
        setup = self.state.setup
        traffic_s = setup.warmup_s + length_s
        self.traffic_s += traffic_s
        shared = [
            SharedEnd(end.session, end.token)
            for leg, _ in legs
            for end in leg.ends
            if end.interface in self.control.get(end.host, ())
        ]
        timeout_s = traffic_s + 2 * clock_skew.MOST * traffic_s + TRAFFIC_SLACK_S  # clocks part in a long trial
        timeout_s += HOST_PAUSE_S if shared else 0.0
        hosts = {end.host: end for leg, _ in legs for end in leg.ends}
        await self._still_held()  # the renewals simply go on while traffic runs, whatever its length
        jobs: list[tuple[str, Job]] = []  # the host's name, and its job: both ends of a link, one link after the other
        try:
            for leg, facts in legs:
                jobs += await self._connect(leg, facts, timeout_s, intended_load_bit_s)
            clocks = await all_of(*(read_clock(end.session) for end in hosts.values()))
            ends = [(leg.link.name, end) for leg, _ in legs for end in ("first", "second")]
            async with in_band(shared, setup.lease_s) as traffic:
                self._note_ssh_alone(traffic.unheard)
                known = dict(zip(hosts, clocks, strict=True))
                traffic.over_at(await self._give_windows(jobs, known, length_s, traffic.lead_s))
                self.windows += 1
                results = await all_of(
                    *(self._measured(job, host, *end) for (host, job), end in zip(jobs, ends, strict=True))
                )
        except BaseException as error:
            raise_own(*await asyncio.gather(*(job.cancel() for _, job in jobs), return_exceptions=True))
            if isinstance(error, HostError) and error.code == "peer_lost":
                # Where the other end's session or lease has ended, its streams may tell so first: asking finds out.
                await self._still_held()
            raise
        return list(zip(results[::2], results[1::2], strict=True))

    def _note_ssh_alone(self, hosts: Sequence[str]) -> None:
        found = only_ssh_renews(self.state.setup, self.cell, hosts)
        for sentence in found if self.windows == 0 else ():
            self.record.setdefault("only_ssh_renews", []).append(sentence)
            if sentence not in self.state.notes:
                self.tell(sentence)

    async def _measured(self, job: Job, host: str, link: str, end: str) -> EndResult:
        """The job's result; what it tells before is kept as it comes, and is all there when this returns."""
        about = {
            "position": self.trial.position,
            "attempt": self.record["attempt"],
            "window": self.windows,
            "link": link,
            "end": end,
            "host": host,
        }
        taking = asyncio.ensure_future(self._take_intervals(job, about))
        try:
            result: EndResult = await job.result()
            await taking
        finally:
            await end_heard(taking)  # what it has met leads over the end of the job
        result["window"] = self.windows
        return result

    async def _take_intervals(self, job: Job, about: Json) -> None:
        """Until the job has ended and told everything."""
        while (event := await job.next_event()) is not None:
            if "intervals" in event:
                try:
                    self.keep(line_from({**about, **event["intervals"]}))
                except (TypeError, ValueError) as error:
                    raise HostError(
                        "bad_answer", f"{about['host']} told intervals of another shape: {error}", host=about["host"]
                    ) from error

    async def _connect(
        self, leg: Leg, facts: LinkFacts, timeout_s: float, intended_load_bit_s: float | None
    ) -> list[tuple[str, Job]]:
        """The dialling and the serving end's job, connected and waiting for their window."""
        dial_args, serve_args = traffic_args(
            self.cell,
            self._ports(leg),
            facts,
            token=secrets.token_hex(32),
            timeout_s=timeout_s,
            asked=intended_load_bit_s,
        )
        serve = leg.second.session.start("traffic.serve", serve_args, timeout_s=timeout_s + 10)
        jobs = [serve]
        try:
            await wait_for_stage(serve, "listening", 15.0)
            dial = leg.first.session.start("traffic.dial", dial_args, timeout_s=timeout_s + 10)
            jobs.append(dial)
            await all_of(*(wait_for_stage(job, "connected", 20.0) for job in jobs))
        except BaseException:
            raise_own(*await asyncio.gather(*(job.cancel() for job in jobs), return_exceptions=True))
            raise
        return [(leg.first.host, dial), (leg.second.host, serve)]

    async def _give_windows(
        self, jobs: Sequence[tuple[str, Job]], clocks: Mapping[str, HostClock], length_s: float, later_s: float
    ) -> float:
        """When the traffic is over, by our own clock; it begins `later_s` later than both ends need to be told."""
        setup = self.state.setup
        start = self.clock() + lead_s(clocks.values()) + later_s
        window = start + setup.warmup_s
        for host, job in jobs:
            clock = clocks[host]
            window_from_ns = clock.host_ns(window)
            await job.tell(
                {
                    "start_ns": clock.host_ns(start),
                    "window_from_ns": window_from_ns,
                    "window_to_ns": window_from_ns + round(length_s * 1e9),
                }
            )
        self.record["clock_error_s"] = max(clock.error_s for clock in clocks.values())
        return window + length_s

    async def _still_held(self) -> None:
        """A host that has restored itself does not wait for us any more: its refusal has the trial repeated."""
        held = [(self._session(name), token) for name, token in self.tokens.items()]  # all there, before any is asked
        await still_held(held, self.state.setup.lease_s)

    async def _look_again(self, legs: Sequence[Leg]) -> None:
        """Settings, speed and boot once more: a trial stands only if the cell's conditions held to its end."""
        held = await self._settings_hold("after")
        await self._still_held()  # one that stopped for want of our word explains whatever else is wrong
        if not held and self.state.attempt < MOST_ATTEMPTS:  # the last one is told as it was measured: suspect
            raise external_change(changed_outside(self.record["after"]["settings"]))
        sessions = {end.host: end.session for leg in legs for end in leg.ends}
        answers = dict(
            zip(
                sessions,
                await all_of(*(session.request("facts", {}, timeout_s=15.0) for session in sessions.values())),
                strict=True,
            )
        )
        for leg in legs:
            leg.record["after"]["speed_bit_s"] = {
                end.host: interface_facts(end.interface, answers[end.host])["speed_bit_s"] for end in leg.ends
            }
        self.record["after"]["boot_id"] = {name: answer["boot_id"] for name, answer in answers.items()}
        self.record["kernels"] = {name: (host.facts or {}).get("kernel") for name, host in self.state.hosts.items()}
        self.record["before"] = {
            "boot_id": {name: (host.facts or {}).get("boot_id") for name, host in self.state.hosts.items()}
        }
