"""The loop that joins the state machine to the world: commands become actions, answers become events.

Every event is in the journal before it is handled, and every command that changes a host is there before it is
carried out. Nothing here decides what comes next. No error of ours is lost: whatever a task, a listener or a thread
raises becomes an event that ends the run in order; when the state machine itself or the journal fails, each host is
asked to restore itself from its own record; and a run that waits for nothing is ended instead of hanging.
"""

from __future__ import annotations

import asyncio
import functools
import json
from collections.abc import Callable
from dataclasses import asdict
from typing import cast

from orchestrator.act.actions import HostActions
from orchestrator.act.journal import JOURNAL_WRITE, Journal
from orchestrator.act.recovering import result_of
from orchestrator.act.supervised import Supervisor, Task, in_thread, is_wanted, within
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.as_found.somebody_else import CHANGED_OUTSIDE, changed_outside
from orchestrator.decide.as_found.stays import is_as_found
from orchestrator.decide.interval_lines import IntervalLine
from orchestrator.decide.machine import HOST_IS_UNFIT, LEASE_IS_GONE, advance, handle, note_end_by_records
from orchestrator.decide.shapes.run import StoredTrial
from orchestrator.decide.state import RunState
from orchestrator.decide.verdict.above_ceiling import fills, fills_before
from orchestrator.decide.verdict.evidence import goodputs
from orchestrator.decide.verdict.judge import judge
from orchestrator.decide.waits import longest_s
from orchestrator.faults import BugError, Fault, HostError, as_fault
from orchestrator.planning.order import Trial

FLUSH_AFTER_S = 2.0
LOST = frozenset({"lost", "noise", "silent"})  # codes of a session that is of no further use
ADVICE_TIMEOUT_S = 600.0  # statistics over some thousand trials take seconds
MOST_BUGS = 20  # of which the traceback is kept
RENEWALS_IN_VAIN = 3  # a loop that fails on every turn must not spin
ANY = (Exception, asyncio.CancelledError)  # what may be raised; the latter is wanted only where a task was cancelled
Listener = Callable[[RunState, ev.Event | do.Command | str], None]


class Runner:
    """Drives one run to its end. Listeners see every event and command; they never change anything."""

    def __init__(
        self,
        state: RunState,
        journal: Journal,
        actions: HostActions,
        listener: Listener,
        advise: Callable[[RunState], tuple[list[Trial], str]] | None = None,
    ) -> None:
        """`state` is fresh, or replayed from the journal when a run is taken up again.

        `advise` says which trials an open-ended schedule is still worth, and why.
        """
        self.advise = advise
        self.state, self.journal, self.actions, self.listener = state, journal, actions, listener
        self.events: asyncio.Queue[ev.Event | None] = asyncio.Queue()  # None: some task has ended
        self.bugs: list[BaseException] = []  # errors of ours, in the order in which they were met
        self._tasks = Supervisor(lambda: self.events.put_nowait(None))
        self._renewals = Supervisor(lambda: None)
        self._flushes = Supervisor(lambda: None)
        self._trial: Task | None = None
        self._begun: dict[str, do.HostCommand] = {}  # host -> the latest command to it

    @property
    def bug(self) -> BaseException | None:
        """The first error of ours, or None."""
        return self.bugs[0] if self.bugs else None

    async def run(self, first_event: ev.Event | None = None) -> int:
        """Until the state machine says that the run is over, or can say nothing any more; the exit code."""
        try:
            code = await self._run(first_event)
        except ANY as error:  # the last resort has failed, too: nobody can say what the hosts are
            if is_wanted(error):
                raise
            self._note_bug(error)
            code = 5 if self.state.exit_code is None else self.state.exit_code
        finally:
            for end in (self._tasks.end, self._renewals.end, self._flushes.end, self.actions.close):
                try:
                    await end()
                except ANY as error:
                    if is_wanted(error):
                        raise
                    self._note_bug(error)
        return 4 if self.bugs and code != 5 else code

    async def _run(self, first_event: ev.Event | None) -> int:
        try:
            for name in self.state.hosts:
                self._renewals.begin(self._renew_lease_of(name), self._stop_by)
            self._start(self._handle(first_event) if first_event else advance(self.state))
            while self.state.exit_code is None:
                self._start(self._handle(await self._next_event()))
            return self.state.exit_code
        except ANY as error:
            if is_wanted(error) or self.state.exit_code is not None:  # the hosts are free; telling of it has failed
                raise
            return await self._end_by_the_hosts_records(error)

    async def _next_event(self) -> ev.Event:
        """What happens next; BugError when nothing can, since nobody is at work and the run is not over."""
        while True:
            if self.events.empty() and self._tasks.idle:
                awaited = {name: host.awaited for name, host in self.state.hosts.items() if host.awaited}
                raise BugError(
                    "stuck",
                    f"the run waits for what nobody does: {awaited or 'nothing'} awaited of hosts, "
                    f"{self.state.flight or 'no trial'} under way",
                    recent=self.state.recent,
                )
            event = await self.events.get()
            if event is not None:
                return event

    async def _end_by_the_hosts_records(self, error: BaseException) -> int:
        """The journal or the state machine fails: nothing is measured on, and the hosts' own records restore them."""
        disk = isinstance(error, HostError) and error.code == JOURNAL_WRITE
        if not disk:
            self._note_bug(error)
        fault = as_fault(error)
        self._tell(f"{fault.message}; putting the hosts back" + (f" - {fault.next_step}" if fault.next_step else ""))
        await self._tasks.end()
        await self._renewals.end()
        met = [
            name
            for name, host in self.state.hosts.items()
            if not host.released and (host.facts is not None or name in self.actions.sessions)
        ]
        found = dict(zip(met, await asyncio.gather(*(self.actions.restored_now(name) for name in met)), strict=True))
        results = {name: result_of(one) for name, one in found.items()}
        as_found = all(is_as_found(result) and not result.get("restart") for result in results.values())
        code = 5 if not as_found else 6 if disk else 4
        note_end_by_records(self.state, code, results)
        self._tell(do.Finish(code))
        return code

    def post(self, event: ev.Event) -> None:
        """Let something happen; used by signal handlers too."""
        self.events.put_nowait(event)

    def unhandled(self, error: BaseException) -> None:
        """An error that nobody's task or call has met, but the event loop itself."""
        self._stop_by(error)

    def _note_bug(self, error: BaseException) -> None:
        if len(self.bugs) < MOST_BUGS:
            self.bugs.append(error)

    def _stop_by(self, error: BaseException) -> None:
        """The run ends in order, by an error of ours."""
        self._note_bug(error)
        self.post(ev.StopAsked("bug", as_fault(error).message))

    def _tell(self, item: ev.Event | do.Command | str) -> None:
        """Let the listener know. It changes nothing, so the run ends in order without it when it fails."""
        try:
            self.listener(self.state, item)
        except Exception as error:
            if not any(type(error) is type(known) for known in self.bugs):  # not once for each line that follows
                self._stop_by(error)

    def _handle(self, event: ev.Event) -> list[do.Command]:
        """Journal the event, then handle it exactly as replay would: after a trip through JSON."""
        entry = self.journal.append("event", ev.event_to_dict(event))
        same = ev.event_from_dict(json.loads(json.dumps(entry.body)))
        known = self.state.bug
        commands = handle(self.state, same)
        if self.state.bug not in ("", known) and not self.bugs:  # found by the state machine itself
            self._note_bug(BugError("unexpected", self.state.bug))
        self._tell(same)
        return commands

    def _start(self, commands: list[do.Command]) -> None:
        for command in commands:
            self._announce(command)
            if isinstance(command, do.Abandon):
                self._abandon()
            elif isinstance(command, do.Consider):
                self._tasks.begin(self._consider(), self._stop_by)
            elif isinstance(command, do.Conduct):
                self._trial = self._tasks.begin(self._conduct(command), self._stop_by)
            elif isinstance(command, do.HostCommand):
                self._tasks.begin(self._act(command), functools.partial(self._act_died, command))
            elif not isinstance(command, do.Finish):
                raise BugError("command", f"nobody carries out {type(command).__name__}")

    def _announce(self, command: do.Command) -> None:
        """Journal what changes a host, before it is begun."""
        if command.changes_host:
            self.journal.append("intent", do.command_to_dict(command))
        if isinstance(command, do.HostCommand):
            self._begun[command.host] = command
        self._tell(command)

    async def _act(self, command: do.HostCommand) -> None:
        """One command to one host; an error that is nobody else's is ours, and is told as such."""
        answer: ev.Event
        timeout_s, what = longest_s(self.state.setup, command), f"{type(command).__name__} of {command.host}"
        try:
            answer = await within(self.actions.carry_out(command), timeout_s, what)
        except HostError as error:
            if error.code in LOST and not isinstance(command, do.Connect | do.Rejoin):
                answer = ev.SessionLost(command.host, error.as_dict(), type(command).__name__)
            else:
                answer = ev.HostFailed(command.host, type(command).__name__, error.as_dict())
        except Exception as error:
            self._act_died(command, error)
            return
        # After a lost session the host has been given another command: this one's answer must not be taken for that's.
        if self._begun.get(command.host) is command or isinstance(answer, ev.RestartAsked):
            self.post(answer)

    def _act_died(self, command: do.HostCommand, error: BaseException) -> None:
        """The answer to a command in which we failed; to one that was given up, that the run ends."""
        self._note_bug(error)
        ours = error if isinstance(error, Fault) else as_fault(error)
        if self._begun.get(command.host) is command:
            self.post(ev.HostFailed(command.host, type(command).__name__, {**ours.as_dict(), "whose": "ours"}))
        else:
            self.post(ev.StopAsked("bug", ours.message))

    async def _conduct(self, command: do.Conduct) -> None:
        timeout_s = longest_s(self.state.setup, command, self.state.trial(command.position))
        await within(self._conduct_and_judge(command), timeout_s, f"trial {command.position}")

    async def _conduct_and_judge(self, command: do.Conduct) -> None:
        record, fault = await self.actions.conduct(command, self._tell, self._keep)
        if isinstance(fault, BugError):
            raise fault
        if isinstance(fault, HostError) and fault.code in LOST | LEASE_IS_GONE:
            self.post(ev.SessionLost(fault.host, fault.as_dict()))
            self.post(ev.ConductBroken(command.position, command.attempt, fault.as_dict()))
            return
        if isinstance(fault, HostError) and fault.code in HOST_IS_UNFIT:
            self.post(ev.StopAsked("stop", fault.message))
            return
        if isinstance(fault, HostError) and fault.code == CHANGED_OUTSIDE:
            self.post(ev.ConductBroken(command.position, command.attempt, fault.as_dict()))
            return
        record["fills_before"] = fills_before(self.state, command.position)
        verdict = judge(record)
        self.post(
            ev.Conducted(
                command.position,
                command.attempt,
                record,
                {
                    "status": verdict.status,
                    "doubts": list(verdict.doubts),
                    "reason": verdict.reason,
                    "changed_outside": [
                        one.as_dict() for one in changed_outside(record["after"].get("settings") or {})
                    ],
                    "goodput_bit_s": goodputs(record),
                    "fill": fills(record),
                },
            )
        )

    async def _consider(self) -> None:
        advise = self.advise
        trials, reason = await in_thread(lambda: advise(self.state), ADVICE_TIMEOUT_S) if advise else ([], "")
        self.post(ev.Extended([cast("StoredTrial", asdict(trial)) for trial in trials], reason))

    def _keep(self, line: IntervalLine) -> None:
        """What is measured goes into the journal at once, and to the disk within seconds."""
        self.journal.append_soon(line)
        if self._flushes.idle:
            self._flushes.begin(self._flush(), self._stop_by)

    async def _flush(self) -> None:
        await asyncio.sleep(FLUSH_AFTER_S)
        if not await self.journal.flush():
            self.post(ev.StopAsked("stop", "what is measured cannot be written"))  # raises the journal's own error

    def _abandon(self) -> None:
        if self._trial is not None:
            self._tasks.cancel(self._trial)
            self._trial = None

    async def _renew_lease_of(self, name: str) -> None:
        """A host hears from us thrice per lease; one missed renewal, or two, does no harm, nor does another host's.

        An error of ours ends the run, but not the renewals: the host must not restore itself for want of them before
        the controller has.
        """
        host, in_vain = self.state.hosts[name], 0
        while True:
            try:
                await asyncio.sleep(self.state.setup.lease_s / 3)
                if host.connected and host.token and name not in self.actions.replacing:
                    await self._renew(name)
                in_vain = 0
            except Exception as error:
                in_vain += 1
                if in_vain >= RENEWALS_IN_VAIN:
                    raise
                self._stop_by(error)

    async def _renew(self, name: str) -> None:
        session, token = self.actions.sessions.get(name), self.state.hosts[name].token
        try:
            await self.actions.renew(name)
        except HostError as error:
            replaced = session is not self.actions.sessions.get(name) or token != self.state.hosts[name].token
            if error.code == "silent" and session is not None and session.shares_link:
                return  # no room just now; whether the host still waits for us is asked when the traffic is over
            if error.code in LOST | LEASE_IS_GONE and not replaced:
                self.post(ev.SessionLost(name, error.as_dict()))
