"""Changes from outside while a trial runs: both ends' watches, and what becomes of the trial when they tell of one."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from types import TracebackType
from typing import Any

from orchestrator.act.session import HostSession, Job
from orchestrator.act.supervised import all_of, end_heard, error_of, raise_own
from orchestrator.decide.as_found.somebody_else import CHANGED_OUTSIDE, NEXT_STEP, ExternalChange, from_host, in_words
from orchestrator.decide.restarting.power import NO_LIFE
from orchestrator.decide.shapes.uses import ToldChange
from orchestrator.faults import BugError, Fault, HostError
from orchestrator.onhost.service.messages import LONGEST_TIMEOUT_S
from orchestrator.stored import Json

BEGIN_TIMEOUT_S = 30.0  # settings are read once; a slow driver may take seconds
END_TIMEOUT_S = 15.0
COLLECT_S = 0.3  # whoever changes one thing often changes another right after it


class ExternalWatch:
    """`async with ExternalWatch(orders) as watch: await watch.unless_changed(...)`."""

    def __init__(
        self, orders: Mapping[str, tuple[HostSession, Json]], still_held: Callable[[], Awaitable[None]]
    ) -> None:
        """`orders`: host -> its session and what it is to watch, as the helper's `external.watch` takes it.

        `still_held` raises HostError where a host is not ours any more: it has restored itself, and nobody else did.
        """
        self._orders, self._still_held = orders, still_held
        self._jobs: dict[str, Job] = {}
        self._listening: list[asyncio.Task[None]] = []
        self._first = asyncio.Event()
        self.changes: list[ExternalChange] = []

    async def __aenter__(self) -> ExternalWatch:
        """All hosts watch when this returns; HostError where one cannot."""
        try:
            for host, (session, order) in self._orders.items():
                self._jobs[host] = session.start("external.watch", order, timeout_s=LONGEST_TIMEOUT_S)
            await all_of(*(job.event(BEGIN_TIMEOUT_S) for job in self._jobs.values()))
        except BaseException:
            await self._cancel()
            raise
        self._listening = [asyncio.ensure_future(self._listen(host, job)) for host, job in self._jobs.items()]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing of it stays on a host."""
        await self._cancel()

    async def unless_changed(self, work: Coroutine[Any, Any, None]) -> None:
        """Do the trial's work; HostError "changed_outside" as soon as something is changed.

        What fails because of a change is the change's fault, so it is asked for before anything else is named.
        """
        working = asyncio.ensure_future(work)
        noticing = asyncio.ensure_future(self._first.wait())
        try:
            await asyncio.wait({working, noticing}, return_when=asyncio.FIRST_COMPLETED)
            if not working.done():
                await asyncio.sleep(COLLECT_S)
        except BaseException:
            await end_heard(working, noticing)
            raise
        noticing.cancel()
        given_up = working.cancel()
        await asyncio.gather(working, noticing, return_exceptions=True)
        fault = error_of(working)
        if given_up and isinstance(fault, asyncio.CancelledError):
            fault = None
        if fault is not None and not isinstance(fault, Fault):
            raise fault
        if not isinstance(fault, BugError) and not (isinstance(fault, HostError) and fault.code in NO_LIFE):
            await self._finish()
        if self.changes and not isinstance(fault, BugError):
            await self._still_held()
            raise external_change(self.changes) from fault
        if fault is not None:
            raise fault

    async def _finish(self) -> None:
        """Every host's last look."""
        with contextlib.suppress(HostError):  # a session that was lost meanwhile: the trial's own error says so
            for job in self._jobs.values():
                if not job.done:
                    await job.tell({"end": True})
        ended = [asyncio.wait_for(job.result(), END_TIMEOUT_S) for job in self._jobs.values()]
        for host, answer in zip(self._jobs, await asyncio.gather(*ended, return_exceptions=True), strict=True):
            if isinstance(answer, dict):
                self._note(host, answer["changes"])
            elif not isinstance(answer, TimeoutError):
                raise_own(answer)

    async def _listen(self, host: str, job: Job) -> None:
        """A watch that ends early is no reason to end the trial: what it would have seen is read back after it."""
        with contextlib.suppress(Fault):
            while True:
                said = await job.event(LONGEST_TIMEOUT_S)
                if isinstance(said.get("change"), dict):
                    self._note(host, [said["change"]])

    def _note(self, host: str, changes: Sequence[ToldChange]) -> None:
        for change in changes:
            found = from_host(host, change)
            if found not in self.changes:
                self.changes.append(found)
                self._first.set()

    async def _cancel(self) -> None:
        try:
            await end_heard(*self._listening)
        finally:
            raise_own(*await asyncio.gather(*(job.cancel() for job in self._jobs.values()), return_exceptions=True))


def external_change(changes: Sequence[ExternalChange]) -> HostError:
    """The fault of a trial whose conditions somebody else has changed."""
    return HostError(
        CHANGED_OUTSIDE,
        f"changed by somebody else: {in_words(changes)}",
        host=changes[0].host,
        changed=[change.as_dict() for change in changes],
        next_step=NEXT_STEP,
    )
