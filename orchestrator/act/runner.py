"""The loop that joins the state machine to the world: commands become actions, answers become events.

Every event is in the journal before it is handled, and every command that changes a host is there before it is
carried out. Nothing here decides what comes next.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from orchestrator.act.actions import HostActions
from orchestrator.act.journal import JOURNAL_WRITE, Journal
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.evidence import goodputs
from orchestrator.decide.judge import judge
from orchestrator.decide.machine import HOST_IS_UNFIT, LEASE_IS_GONE, advance, handle
from orchestrator.decide.outside import CHANGED_OUTSIDE, changed_outside
from orchestrator.decide.state import RunState
from orchestrator.faults import BugError, Fault, HostError
from orchestrator.planning.order import Trial

LOST = frozenset({"lost", "noise", "silent"})  # codes of a session that is of no further use
Listener = Callable[[RunState, ev.Event | do.Command | str], None]


class Runner:
    """Drives one run to its end. Listeners see every event and command; they never change anything."""

    def __init__(self, state: RunState, journal: Journal, actions: HostActions, listener: Listener,
                 advise: Callable[[RunState], tuple[list[Trial], str]] | None = None) -> None:
        """`state` is fresh, or replayed from the journal when a run is taken up again.

        `advise` says which trials an open-ended schedule is still worth, and why.
        """
        self.advise = advise
        self.state, self.journal, self.actions, self.listener = state, journal, actions, listener
        self.events: asyncio.Queue[ev.Event] = asyncio.Queue()
        self.tasks: dict[str, asyncio.Task[None]] = {}
        self.bug: BaseException | None = None

    async def run(self, first_event: ev.Event | None = None) -> int:
        """Until the state machine says that the run is over; the exit code."""
        renewing = asyncio.gather(*(self._renew_lease_of(name) for name in self.state.hosts))
        try:
            self._start(self._handle(first_event) if first_event else advance(self.state))
            while self.state.exit_code is None:
                self._start(self._handle(await self.events.get()))
            return self.state.exit_code
        except HostError as error:
            if error.code != JOURNAL_WRITE:
                raise
            return await self._end_without_journal(error)
        finally:
            renewing.cancel()
            for task in self.tasks.values():
                task.cancel()
            await asyncio.gather(renewing, *self.tasks.values(), return_exceptions=True)
            await self.actions.close()

    async def _end_without_journal(self, error: HostError) -> int:
        """The journal cannot be written any more: nothing is measured on, and the hosts' own records put them back."""
        self.listener(self.state, f"{error.message}; putting the hosts back - {error.next_step}")
        for task in self.tasks.values():
            task.cancel()
        await asyncio.gather(*self.tasks.values(), return_exceptions=True)
        held = [name for name, host in self.state.hosts.items() if host.token and not host.released]
        clean = await asyncio.gather(*(self.actions.put_back_now(name) for name in held))
        return 6 if all(clean) else 5

    def post(self, event: ev.Event) -> None:
        """Let something happen; used by signal handlers too."""
        self.events.put_nowait(event)

    def _handle(self, event: ev.Event) -> list[do.Command]:
        """Journal the event, then handle it exactly as replay would: after a trip through JSON."""
        entry = self.journal.append("event", ev.event_to_dict(event))
        same = ev.event_from_dict(json.loads(json.dumps(entry.body)))
        commands = handle(self.state, same)
        self.listener(self.state, same)
        return commands

    def _start(self, commands: list[do.Command]) -> None:
        for command in commands:
            if command.changes_host:
                self.journal.append("intent", do.command_to_dict(command))
            self.listener(self.state, command)
            if isinstance(command, do.Abandon):
                self._abandon()
            elif isinstance(command, do.Consider):
                self.tasks["more"] = asyncio.ensure_future(self._consider())
            elif isinstance(command, do.Conduct):
                self.tasks["trial"] = asyncio.ensure_future(self._conduct(command))
            elif not isinstance(command, do.Finish):
                self.tasks[command.host] = asyncio.ensure_future(self._act(command))  # type: ignore[attr-defined] # names a host

    async def _act(self, command: Any) -> None:
        """One command to one host; an error that is nobody else's is ours, and is told as such."""
        try:
            self.post(await self.actions.carry_out(command))
        except HostError as error:
            if error.code in LOST and not isinstance(command, do.Connect | do.Rejoin):
                self.post(ev.SessionLost(command.host, error.as_dict()))
            else:
                self.post(ev.HostFailed(command.host, type(command).__name__, error.as_dict()))
        except Exception as error:
            self.bug = self.bug or error
            ours = error if isinstance(error, Fault) else BugError("bug", f"{type(error).__name__}: {error}")
            self.post(ev.HostFailed(command.host, type(command).__name__, ours.as_dict()))

    async def _conduct(self, command: do.Conduct) -> None:
        try:
            await self._conduct_and_judge(command)
        except Exception as error:
            self.bug = self.bug or error
            self.post(ev.StopAsked("bug", f"{type(error).__name__}: {error}"))

    async def _conduct_and_judge(self, command: do.Conduct) -> None:
        record, fault = await self.actions.conduct(command, lambda words: self.listener(self.state, words))
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
        verdict = judge(record)
        self.post(ev.Conducted(command.position, command.attempt, record, {
            "status": verdict.status, "doubts": list(verdict.doubts), "reason": verdict.reason,
            "changed_outside": changed_outside(record["after"].get("settings") or {}),
            "goodput_bit_s": goodputs(record)}))

    async def _consider(self) -> None:
        trials, reason = await asyncio.to_thread(self.advise, self.state) if self.advise else ([], "")
        self.post(ev.Extended([asdict(trial) for trial in trials], reason))

    def _abandon(self) -> None:
        task = self.tasks.pop("trial", None)
        if task is not None:
            task.cancel()

    async def _renew_lease_of(self, name: str) -> None:
        """A host hears from us thrice per lease; one missed renewal, or two, does no harm, nor does another host's."""
        host = self.state.hosts[name]
        while True:
            await asyncio.sleep(self.state.setup.lease_s / 3)
            if host.connected and host.token and name not in self.actions.replacing:
                await self._renew(name)

    async def _renew(self, name: str) -> None:
        session, token = self.actions.sessions.get(name), self.state.hosts[name].token
        try:
            await self.actions.renew(name)
        except HostError as error:
            replaced = session is not self.actions.sessions.get(name) or token != self.state.hosts[name].token
            if error.code in LOST | LEASE_IS_GONE and not replaced:
                self.post(ev.SessionLost(name, error.as_dict()))
        except BugError as error:  # the next renewal may succeed, and the host must not put itself back for want of it
            self.listener(self.state, f"{error.message}; the lease will be renewed at the next turn")
