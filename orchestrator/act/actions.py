"""Commands that concern one host, each carried out over its session and answered by one event."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from orchestrator.act.conduct import ConductedTrial
from orchestrator.act.instrument import self_test
from orchestrator.act.latest import CHANGE_TIMEOUT_S
from orchestrator.act.looking_at_ends import look_at_ends
from orchestrator.act.power import switch_power
from orchestrator.act.recovering import Recovered, Same, recover_host, same_value
from orchestrator.act.session import HostSession
from orchestrator.act.supervised import within
from orchestrator.act.tries import first_of_tries
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.interval_lines import IntervalLine
from orchestrator.decide.links.shared_paths import lease_too_short
from orchestrator.decide.machine import NOT_AS_FOUND, WATCHDOG_DIES
from orchestrator.decide.restarting.power import NO_LIFE, START_BY_HAND, switch_of
from orchestrator.decide.setup import PowerSwitch, RunSetup
from orchestrator.decide.shapes.host_facts import HostFacts
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.shapes.uses import RestoreResult, Use
from orchestrator.decide.state import (
    RunState,
    acts_on_interface,
    changed_places,
    place_name,
    refused_use,
    restart_uses,
    use_of,
)
from orchestrator.faults import BugError, Fault, HostError, as_fault
from orchestrator.planning.min_lease import CONNECT_S, FIRST_PAUSE_S, confirm_s, longest_pause_s
from orchestrator.stored import Json

Switch = Callable[[PowerSwitch], Awaitable[None]]
Connect = Callable[[str], Awaitable[HostSession]]
RESTORE_TIMEOUT_S = 180.0  # eight stuck places and an image; what is stuck is told, which a timeout would not
GOING_DOWN_S = 120.0  # a host that was asked to restart ends its services first, some of them slowly
PUT_BACK_TIMEOUT_S = 1800.0  # with a lock to wait for and a restart, where one is needed; its steps have bounds, too
MORE_LEASE = "give the plan a longer lease, or run when the host and this machine are less busy"
LEAST_TRY_S = 3 * CONNECT_S  # a try to reach a lost host is not given up before


class HostActions:
    """What can be asked of the hosts. Holds the open sessions; knows nothing of what comes next."""

    def __init__(
        self, state: RunState, connect: Connect, same: Same | None = None, switch: Switch = switch_power
    ) -> None:
        """`connect` opens a session to a host by its name in the plan; `switch` switches a host's power."""
        self._switch = switch
        self.state, self._connect, self._same = state, connect, same or same_value
        self._one_at_a_time = asyncio.Lock()
        self._ends_looked_at = False
        self._answered: set[str] = set()  # links on which nobody else answers for the run's own addresses
        self.replacing: set[str] = set()  # hosts whose session is just being replaced by another
        self.sessions: dict[str, HostSession] = {}
        self.control: dict[str, frozenset[str]] = {}  # host -> the interfaces that our SSH connection comes in by

    @property
    def setup(self) -> RunSetup:
        """The run's fixed input."""
        return self.state.setup

    async def carry_out(self, command: do.Command) -> ev.Event:
        """The event that answers a command; HostError when it did not succeed."""
        try:
            return await _ACTIONS[type(command)](self, command)
        finally:
            self.replacing.discard(getattr(command, "host", ""))

    async def connect(self, command: do.Connect) -> ev.Event:
        """Open the session and read the host's facts."""
        return ev.Connected(command.host, await self._open(command.host))

    async def _open(self, name: str) -> HostFacts:
        session = await self._connect(name)
        self.sessions[name] = session
        self.control[name] = await self._control_of(session)
        facts: HostFacts
        facts, kernel = await asyncio.gather(
            *(session.request(verb, {}, timeout_s=20.0) for verb in ("facts", "kernel"))
        )
        facts["kernel_identity"] = kernel
        return facts

    async def _control_of(self, session: HostSession) -> frozenset[str]:
        return frozenset((await session.request("control", {}, timeout_s=20.0))["interfaces"])

    async def acquire_lease(self, command: do.AcquireLease) -> ev.Event:
        """Ask for the lease, as a run that may hold it already; before the first, see that the links can be used."""
        if not self.state.began and not self._ends_looked_at:
            if fault := lease_too_short(self.state, self.control):
                raise fault
            await look_at_ends(self.state, self.sessions)
            self._ends_looked_at = True
        try:
            answer = await self._ask(command.host, "lease.acquire", self._wanted_lease())
        except HostError as error:
            if error.code not in ("busy", "unclean") or error.values.get("run_id") != self.setup.run_id:
                raise
            # Our own, from a controller that died before it could note the answer; this run's journal is ours alone.
            found = await self._ask(command.host, "recover", {"run_id": self.setup.run_id}, RESTORE_TIMEOUT_S)
            if found["left"] or found["conflicts"]:
                raise HostError(
                    NOT_AS_FOUND,
                    f"{command.host}: what this run had changed could not all be restored",
                    host=command.host,
                    left=found["left"],
                    conflicts=found["conflicts"],
                ) from error
            answer = await self._ask(command.host, "lease.acquire", self._wanted_lease())
        return ev.LeaseAcquired(command.host, answer["token"], answer.get("earlier"))

    async def verify_watchdog(self, command: do.VerifyWatchdog) -> ev.Event:
        """End the session that started the watchdog; a new one must find it alive."""
        name = command.host
        before = await self._ask(name, "watchdog", {})
        self.replacing.add(name)
        await self._end_session(name)
        await self._open(name)
        after = await self._ask(name, "watchdog", {})
        record = after["record"] or {}
        if record.get("standing") != "held" or record["left_s"] <= 0:  # its watchdog has done its work, and ended
            raise HostError(
                "expired",
                f"{name}: its lease of {self.setup.lease_s:g} s ran out while a new session was made",
                host=name,
                next_step=MORE_LEASE,
            )
        if not after["alive"] or after["pid"] != before["pid"]:
            raise HostError(
                WATCHDOG_DIES,
                f"{name}: the watchdog does not survive the end of an SSH session",
                host=name,
                next_step="let processes linger after logout on this host (its session manager kills them)",
                before=before,
                after=after,
            )
        return ev.WatchdogVerified(name, {"pid": after["pid"]})

    async def prepare(self, command: do.Prepare) -> ev.Event:
        """Have the host record what it is to restore."""
        token = self._token(command.host)
        known = [place["known"] for place in command.places if "known" in place]
        if known:  # a host that restarted or restored itself: what the journal kept is the truth to restore
            await self._ask(command.host, "adopt", {"token": token, "before": known})
        answer = await self._ask(
            command.host,
            "prepare",
            {
                "token": token,
                "interfaces": list(command.interfaces),
                "places": [place_level(place) for place in command.places],
            },
            CHANGE_TIMEOUT_S,
        )
        return ev.Prepared(
            command.host,
            answer["before"],
            answer["image"],
            await self._instrument(command.host),
            await self._impossible(command.host),
        )

    async def _impossible(self, name: str) -> list[str]:
        """Which levels that take a restart the host cannot have: known now, not when their night has come."""
        uses = restart_uses(self.state, name)
        if not uses or self.state.hosts[name].before:  # it was asked when it was prepared for the first time
            return []
        answer = await self._ask(name, "possible", {"uses": uses}, CHANGE_TIMEOUT_S)
        return [str(problem["why"]) for problem in answer["problems"]]

    async def _instrument(self, name: str) -> dict[str, float]:
        """The traffic pair's self-test on a host, once per run; one host after the other, as some share a machine."""
        if self.state.hosts[name].instrument:
            return {}
        transports = sorted({str(cell.traffic["transport"]) for cell in self.setup.cells})
        async with self._one_at_a_time:
            session = self.sessions.get(name)
            own = next((link for link in self.setup.links if name in dict(link.ends)), self.setup.links[0])
            return await self_test(session, transports, own.ports) if session else {}

    async def apply(self, command: do.Apply) -> ev.Event:
        """Set places to levels; the answer says what each took."""
        if any(acts_on_interface(use) and use["target"] in self.control[command.host] for use in command.uses):
            return await self._apply_on_probation(command)
        answer = await self._ask(
            command.host,
            "apply",
            {"token": self._token(command.host), "uses": list(command.uses), "keep_others": self._keeps_others()},
            CHANGE_TIMEOUT_S,
        )
        return ev.Applied(command.host, command.position, answer["uses"])

    async def _apply_on_probation(self, command: do.Apply) -> ev.Event:
        """Change what our own SSH connection runs over: kept only if a new connection can be made after it."""
        name, token, uses = command.host, {"token": self._token(command.host)}, list(command.uses)
        timeout_s = confirm_s(self.setup.lease_s)
        await self.renew(name)  # nothing renews the lease until there is a new connection
        until = asyncio.get_running_loop().time() + timeout_s
        answer: Json | None = None
        unanswered: HostError | None = None
        try:  # not even with an answer's grace: a lease may be over by then
            answer = await asyncio.wait_for(
                self._ask(
                    name,
                    "apply",
                    {**token, "uses": uses, "confirm_s": timeout_s, "keep_others": self._keeps_others()},
                    timeout_s / 2,
                ),
                timeout_s / 2,
            )
        except HostError as error:  # the answer may be what the change has cut off
            unanswered = error
        except TimeoutError:
            unanswered = HostError(
                "silent",
                f"{name}: a change of the interface that SSH uses was not answered within {timeout_s / 2:g} s",
                host=name,
            )
        await self._open_anew(name, until, timeout_s)
        try:
            await self._ask(name, "confirm", token)
        except HostError as error:
            if error.code == "nothing_to_confirm" and unanswered is not None:
                raise unanswered from error  # nothing was begun, and this says why
            if error.code != "reverted":
                raise
            why = (
                f"SSH reaches {name} over {', '.join(sorted(self.control[name]))}, and no new connection could be "
                f"made in {timeout_s:g} s after the change; the host took it back"
            )
            return ev.Applied(name, command.position, [refused_use(use, why) for use in uses])
        await self.renew(name)
        if answer is None:
            answer = await self._ask(name, "verify", {"uses": [place_level(use) for use in uses]}, CHANGE_TIMEOUT_S)
        return ev.Applied(name, command.position, answer["uses"])

    def _keeps_others(self) -> bool:
        """Whether what somebody else has changed ends the run, and is not written over before."""
        return self.setup.changed_outside == "stop"

    async def _end_session(self, name: str) -> None:
        """End a session that another is to replace; it may have been lost and taken away meanwhile."""
        session = self.sessions.pop(name, None)
        if session is None:
            raise HostError("lost", f"{name}: the session was lost", host=name)
        await session.close()

    async def _open_anew(self, name: str, until: float, timeout_s: float) -> None:
        """A new session instead of the old one; tried until `timeout_s` after the host has taken its change back."""
        self.replacing.add(name)
        await self._end_session(name)
        try:
            self.sessions[name] = await first_of_tries(
                lambda: self._connect(name),
                lambda session: session.close(),
                every_s=max(timeout_s / 3, CONNECT_S),
                pause_s=FIRST_PAUSE_S,
                until=until + timeout_s,
            )
        except TimeoutError as error:
            raise HostError(
                "lost", f"{name}: no connection after a change of the interface that SSH uses", host=name
            ) from error
        self.control[name] = await self._control_of(self.sessions[name])

    async def restore(self, command: do.Restore) -> ev.Event:
        """Restore everything, and compare the whole host with its before-image."""
        token = {"token": self._token(command.host)}
        result: RestoreResult = await self._ask(command.host, "restore", token, RESTORE_TIMEOUT_S)
        result["differences"] = await self._ask(command.host, "compare", token, CHANGE_TIMEOUT_S)
        result["facts"] = await self._ask(command.host, "facts", {})
        return ev.Restored(command.host, result)

    async def release(self, command: do.Release) -> ev.Event:
        """Let the host forget us."""
        await self._ask(command.host, "lease.release", {"token": self._token(command.host)})
        return ev.Released(command.host)

    async def restart(self, command: do.Restart) -> ev.Event:
        """Have a host restart; its answer may be lost with the session that this ends."""
        name = command.host
        self.replacing.add(name)
        try:
            await self._ask(name, "restart", {"token": self._token(name)}, CHANGE_TIMEOUT_S)
        except HostError as error:
            if error.code not in NO_LIFE:
                raise
            return ev.RestartAsked(name, sure=False)
        return ev.RestartAsked(name)

    async def rejoin(self, command: do.Rejoin) -> ev.Event:
        """Try to reach a lost host until the plan's patience ends; ask it what became of our lease."""
        name, pause_s = command.host, FIRST_PAUSE_S
        self.replacing.add(name)
        clock = asyncio.get_running_loop().time
        patience_s = self.setup.patience_s if command.within_s is None else command.within_s
        began_s, lease_s = clock(), self.setup.lease_s
        until = began_s + (patience_s if self.state.began else 0.0)
        while True:
            may_hold = bool(self._token(name)) and clock() < began_s + lease_s
            try:
                facts = await self._reach(name, max(lease_s / 2, LEAST_TRY_S) if may_hold else None)
                return await self._rejoin_once(name, facts, may_be_going_down=clock() < began_s + GOING_DOWN_S)
            except HostError as error:
                if self.state.began and error.code in NO_LIFE and clock() + pause_s > until:
                    raise HostError(
                        error.code,
                        f"{error.message}; it did not come back within {patience_s:g} s",
                        host=name,
                        next_step=START_BY_HAND,
                    ) from error
                if error.code == "busy" or clock() + pause_s > until:
                    raise
            await asyncio.sleep(pause_s)
            pause_s = min(pause_s * 2, longest_pause_s(lease_s, may_hold=may_hold))

    async def power_cycle(self, command: do.PowerCycle) -> ev.Event:
        """Switch a host's power off and on, as the plan says."""
        switch = switch_of(self.state, command.host)
        if switch is None:
            raise BugError("no_switch", f"{command.host}: the plan does not say how its power is switched")
        await self._switch(switch)
        return ev.PowerCycled(command.host)

    async def _reach(self, name: str, timeout_s: float | None) -> HostFacts:
        """A new session in the place of what there is, and the host's facts; HostError "lost" after `timeout_s`."""
        old = self.sessions.pop(name, None)
        if old is not None:
            await old.close()
        try:
            return await asyncio.wait_for(self._open(name), timeout_s)
        except TimeoutError:
            raise HostError("lost", f"{name}: no session was there in time", host=name) from None

    async def _rejoin_once(self, name: str, facts: HostFacts, *, may_be_going_down: bool) -> ev.Event:
        host = self.state.hosts[name]
        if host.restarting and may_be_going_down and facts["boot_id"] == (host.facts or {}).get("boot_id"):
            raise HostError("lost", f"{name}: was asked to restart, and has not gone down yet", host=name)
        record = (await self._ask(name, "watchdog", {})).get("record") or {}
        ours = record.get("run_id") == self.setup.run_id
        if ours and host.token and record["standing"] == "held" and record["left_s"] > 0:
            answer = await self._ask(name, "lease.acquire", {**self._wanted_lease(), "token": host.token})
            if answer["joined"]:
                return ev.Rejoined(name, "kept", answer["token"], facts)
            return ev.Rejoined(name, "reverted", answer["token"], facts, await self._reads_as_before(name))
        if ours:
            await self._ask(name, "recover", {"run_id": self.setup.run_id}, RESTORE_TIMEOUT_S)
        rebooted = bool(host.facts) and facts["boot_id"] != (host.facts or {}).get("boot_id")
        return ev.Rejoined(name, "rebooted" if rebooted else "reverted", 0, facts, await self._reads_as_before(name))

    def _wanted_lease(self) -> Json:
        return {"run_id": self.setup.run_id, "holder": self.setup.holder, "lease_s": self.setup.lease_s}

    async def _reads_as_before(self, name: str) -> bool:
        host = self.state.hosts[name]
        places = [{**where, "level": host.before_levels.get(place)} for place, where in host.places.items()]
        if not places:
            return True
        answer = await self._ask(name, "read", {"places": places}, CHANGE_TIMEOUT_S)
        return all(self._same(item, host.before[place_name(item)]) for item in answer["places"])

    async def conduct(
        self, command: do.Conduct, tell: Callable[[str], None], keep: Callable[[IntervalLine], None]
    ) -> tuple[TrialRecord, Fault | None]:
        """The record of a trial, and the fault that broke it off, if one did; `keep` has what is measured meanwhile."""
        trial = ConductedTrial(
            self.state, self.state.trial(command.position), self.sessions, tell, keep, self._answered, self.control
        )
        try:
            return await trial.conduct(), None
        except Fault as fault:
            trial.record["error"] = fault.as_dict()
            return trial.record, fault

    async def restored_now(self, name: str) -> Recovered | Fault:
        """Restore a host at once, without the journal and the state machine, as `recover` does it; never raises.

        Its own record leads. What the run knows beyond that counts where the record is gone, as after a restart.
        """
        run_id = self.setup.run_id
        try:
            known = changed_places(self.state, name)
            return await within(
                recover_host(name, self._connect, run_id, known, self._same), PUT_BACK_TIMEOUT_S, f"putting {name} back"
            )
        except Exception as error:
            fault = as_fault(error)
            if fault.code == "busy" and fault.values.get("run_id") != run_id and not self.state.hosts[name].changed:
                return Recovered(name)  # another run's; nothing of ours was ever there
            return fault

    async def renew(self, name: str) -> None:
        """Renew a host's lease, so that it goes on waiting for us."""
        session = self.sessions.get(name)
        if session is not None and session.line is not None and session.line.renews:
            return
        await self._ask(name, "lease.renew", {"token": self._token(name), "lease_s": self.setup.lease_s})

    async def close(self) -> None:
        """End all sessions."""
        ended = await asyncio.gather(*(session.close() for session in self.sessions.values()), return_exceptions=True)
        for error in ended:
            if isinstance(error, Exception) and not isinstance(error, HostError | OSError):
                raise error

    async def _ask(self, name: str, verb: str, args: Json, timeout_s: float = 15.0) -> Any:
        session = self.sessions.get(name)
        if session is None:
            raise HostError("lost", f"{name}: no session", host=name)
        return await session.request(verb, args, timeout_s=timeout_s)

    def _token(self, name: str) -> int:
        return self.state.hosts[name].token


def place_level(place: Use) -> Use:
    """What the host is told of a place: the setting, its target, and a level that says which value is meant."""
    return use_of(place, place["level"])


_ACTIONS: dict[type[do.Command], Callable[..., Awaitable[ev.Event]]] = {
    do.Connect: HostActions.connect,
    do.AcquireLease: HostActions.acquire_lease,
    do.VerifyWatchdog: HostActions.verify_watchdog,
    do.Prepare: HostActions.prepare,
    do.Apply: HostActions.apply,
    do.Restore: HostActions.restore,
    do.Release: HostActions.release,
    do.Rejoin: HostActions.rejoin,
    do.PowerCycle: HostActions.power_cycle,
    do.Restart: HostActions.restart,
}
