"""A session with one host: connected, its helper running, requests and jobs going to it."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from typing import TYPE_CHECKING, Any

import asyncssh

from orchestrator.act import answers
from orchestrator.act.addresses import HostAddress
from orchestrator.act.bundle import helper_bundle
from orchestrator.act.channel import Channel
from orchestrator.act.holders import HELD, held_by
from orchestrator.act.login import NOT_SSH, Login, log_in
from orchestrator.act.start_failures import explain, old_python
from orchestrator.faults import BugError, Fault, HostError, as_fault
from orchestrator.onhost.service.frames import FrameError
from orchestrator.stored import Json

if TYPE_CHECKING:
    from orchestrator.act.in_band import RenewalLine
    from orchestrator.act.message_log import MessageLog

__all__ = ["HostAddress", "HostSession", "Job", "connect"]

START_TIMEOUT_S = 30.0  # a start file that initialises half a dozen tools takes seconds on a small board
SETTLE_S = 0.5  # after an exit status, for the last words that explain it
ANSWER_GRACE_S = 10.0  # the host ends a job at its bound; only a host that cannot even say so takes longer
EVENTS_LIMIT = 20_000  # of one job, waiting to be looked at
WAITING_LIMIT_BYTES = 32 * 1024 * 1024  # memory that what a host has said may take until it is looked at
UNASKED_LIMIT_BYTES = 256 * 1024 * 1024  # what a host may say in all that answers nothing: late answers are some MB
AT_A_LIMIT = "look at the host's free memory and its limits (free, ulimit -a, df), then try again"
HEARTBEAT_S = 300.0  # the helper gives up a controller that is silent for an hour


class Job:
    """A request under way: its events, what it is told, and its result."""

    def __init__(self, session: HostSession, number: int, verb: str, args: Json, timeout_s: float) -> None:
        """Made by `HostSession.start`."""
        self.number, self.verb, self._args = number, verb, args
        self._session = session
        self._timeout_s = timeout_s
        self._events: asyncio.Queue[tuple[int, Json]] = asyncio.Queue()  # with its weight in bytes
        self.waiting_bytes = 0  # memory that events take until they are looked at
        self._result: asyncio.Future[Json] = asyncio.get_running_loop().create_future()
        self._result.add_done_callback(lambda future: future.exception())  # a result nobody asks for is no warning

    @property
    def done(self) -> bool:
        """Whether the result, or the error in its place, is there."""
        return self._result.done()

    async def event(self, timeout_s: float = 30.0) -> Json:
        """The job's next event; the job's own error if it ends before, HostError "silent" if nothing comes."""
        if self._events.empty():
            waiting = asyncio.ensure_future(self._events.get())
            try:
                either: set[asyncio.Future[Any]] = {waiting, self._result}
                await asyncio.wait(either, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
            finally:  # also when the caller is cancelled: an abandoned waiter would swallow the next event
                if not waiting.done():
                    waiting.cancel()
                    await asyncio.gather(waiting, return_exceptions=True)
            if not waiting.cancelled():
                return self._looked_at(waiting.result())
            if not self._result.done():
                raise self._session.error("silent", f"{self.verb} reported nothing for {timeout_s:g} s")
            self._result.result()
            raise self._session.error("no_event", f"{self.verb} ended without the event that was waited for")
        return self._looked_at(self._events.get_nowait())

    def _looked_at(self, queued: tuple[int, Json]) -> Json:
        self.waiting_bytes -= queued[0]
        return queued[1]

    async def next_event(self) -> Json | None:
        """The job's next event, however long that takes; None when it has ended and told everything."""
        with contextlib.suppress(Fault):
            return await self.event(self._timeout_s + ANSWER_GRACE_S)
        return None

    async def tell(self, body: Json) -> None:
        """Say something to the job."""
        self._session.send({"id": self.number, "tell": body})

    async def result(self) -> Any:
        """The job's answer, checked as a request's; HostError with the host's code when it was refused or failed."""
        done, _ = await asyncio.wait({self._result}, timeout=self._timeout_s + ANSWER_GRACE_S)
        if not done:
            self._session.forget(self.number)
            raise self._session.error("silent", f"{self.verb} was not answered within {self._timeout_s:g} s")
        return self._result.result()

    async def cancel(self) -> None:
        """End the job on the host; waits until the host has said so, bounded."""
        if self.done:
            return
        with contextlib.suppress(Fault):
            self._session.send({"id": self.number, "cancel": True})
        await asyncio.wait({self._result}, timeout=ANSWER_GRACE_S)
        self._session.forget(self.number)

    def take(self, kind: str, message: Json, weight_bytes: int) -> None:
        """An answer from the host; only the session calls this."""
        content = message.get("error" if kind == "error" else "body")
        if problem := answers.problem_with(self.verb, kind, content, self._args):
            self.fail(
                self._session.error(
                    "bad_answer",
                    f"answered something that is no answer of linktrial's: {self.verb}: it {problem}",
                    kind=kind,
                    next_step="the host, or what is between, is not what it seems: look at it",
                )
            )
            return
        assert isinstance(content, dict)  # noqa: S101 - said by the check
        if kind == "event":
            self._queue(content, weight_bytes)
        elif not self._result.done():
            if kind == "done":
                self._result.set_result(content)
            else:
                self._result.set_exception(self._session.fault_of(self.verb, content))

    def _queue(self, content: Json, weight_bytes: int) -> None:
        too_many = self._events.qsize() >= EVENTS_LIMIT
        if too_many or self._session.waiting_bytes + weight_bytes > WAITING_LIMIT_BYTES:
            much = f"{EVENTS_LIMIT} events" if too_many else f"{WAITING_LIMIT_BYTES} bytes take"
            self.fail(self._session.error("too_much", f"{self.verb} reported more than {much} before it was looked at"))
            return
        self.waiting_bytes += weight_bytes
        self._events.put_nowait((weight_bytes, content))

    def fail(self, fault: Fault) -> None:
        """End the job with an error of our own; only the session calls this."""
        if not self._result.done():
            self._result.set_exception(fault)


class HostSession:
    """One host with a running helper. `lost` is set when the session has ended for whatever reason."""

    def __init__(self, address: HostAddress, login: Login) -> None:
        """Made by `connect`."""
        self.host = address
        self.lost = asyncio.Event()
        self.facts_of_start: Json = {}
        self._login = login
        self._jobs: dict[int, Job] = {}
        self._numbers = itertools.count(1)
        self._hello: asyncio.Future[Json] = asyncio.get_running_loop().create_future()
        self._channel = Channel(self._heard, self._ended)
        self._heartbeat: asyncio.Task[None] | None = None
        self._unasked_bytes = 0
        self.line: RenewalLine | None = None  # by which its lease is renewed while SSH has no room
        self.log: MessageLog | None = None
        self.shares_link = False  # with traffic that is under way: its silence means nothing

    @property
    def peer_address(self) -> str:
        """The host's own address as the connection reaches it; "" where other hosts are in between."""
        return self._login.peer_address

    def share_link(self, line: RenewalLine | None, *, over: bool = False) -> None:
        """Traffic that may leave this session no room begins, or is over."""
        self.line, self.shares_link = line, not over
        self._login.expect_silence(expected=not over)

    async def request(self, verb: str, args: Json | None = None, timeout_s: float = 10.0) -> Any:
        """One question and its answer, whose shape `answers` has checked: the caller gives it its type.

        HostError with the host's code when it refuses.
        """
        job = self.start(verb, args, timeout_s=timeout_s)
        try:
            return await job.result()
        except asyncio.CancelledError:
            with contextlib.suppress(Fault):
                self.send({"id": job.number, "cancel": True})
            self.forget(job.number)
            raise

    def start(self, verb: str, args: Json | None = None, *, timeout_s: float = 60.0) -> Job:
        """Begin a job; its answers come while the caller does other things."""
        job = Job(self, next(self._numbers), verb, args or {}, timeout_s)
        self._jobs[job.number] = job
        try:
            self.send({"id": job.number, "verb": verb, "args": args or {}, "timeout_s": timeout_s})
        except Fault:
            self.forget(job.number)
            raise
        return job

    async def close(self) -> None:
        """End the helper (which ends its jobs) and the connection; the host's watchdog stays."""
        if self._heartbeat is not None:
            self._heartbeat.cancel()
        self._channel.close()
        await self._login.close()

    def send(self, message: Json) -> None:
        """One message to the helper; HostError "lost" when there is none any more."""
        if self.lost.is_set():
            raise self._bug() or self.error("lost", "the connection was lost", next_step="")
        try:
            self._channel.send(message)
        except FrameError as error:
            raise BugError("too_large", f"{self.host.name}: {error}") from error
        if self.log is not None:
            self.log.sent(message)

    @property
    def waiting_bytes(self) -> int:
        """Memory that the events of all jobs under way take until they are looked at."""
        return sum(job.waiting_bytes for job in self._jobs.values())

    def forget(self, number: int) -> None:
        """Let answers to this job pass unheard."""
        self._jobs.pop(number, None)

    def error(self, code: str, message: str, **more: Any) -> HostError:
        """An error of this host."""
        return HostError(code, f"{self.host.name}: {message}", host=self.host.name, **more)

    def fault_of(self, verb: str, error: Json) -> Fault:
        """The host's own words as an error; a bug in what we sent is ours, not the host's."""
        code, message, values = error["code"], error["message"], error["values"]
        fault: Fault
        if code == "bug":
            fault = BugError("helper", f"{verb} on {self.host.name}: {message}")
        else:
            held = held_by(code, values) if code in HELD else None
            told, next_step = held or (message, AT_A_LIMIT if code in ("memory", "exhausted") else "")
            fault = self.error(code, told, next_step=next_step)
        fault.values = {**values, "verb": verb}  # set, not passed: the host's keys may be those of the call
        return fault

    async def open(self, timeout_s: float) -> None:
        """Start the helper and wait until it is ready; HostError says why when it is not."""
        bundle = helper_bundle()
        command = bundle.command(sudo=self.host.privilege == "sudo")
        try:
            await asyncio.wait_for(
                self._login.connection.create_session(lambda: self._channel, command, encoding=None, request_pty=False),
                timeout_s,
            )
            await self._wait_for(self._channel.started.wait(), timeout_s)
        except TimeoutError:
            pass
        except (asyncssh.Error, OSError, *NOT_SSH) as error:
            self._channel.seen.lost = str(error)
        if not self._channel.started.is_set() or old_python(self._channel.seen) or self._channel.seen.missing:
            raise await self._start_failure(timeout_s)
        self._channel.send_code(bundle.blob)
        with contextlib.suppress(TimeoutError):
            await self._wait_for(asyncio.shield(self._hello), timeout_s)
        if not self._hello.done():
            raise await self._start_failure(timeout_s)
        self.facts_of_start = {**self._hello.result(), "missing": [], "host_key": self._login.host_key}
        self._heartbeat = asyncio.create_task(self._keep_heard())
        self._heartbeat.add_done_callback(self._heartbeat_over)

    async def _wait_for(self, wanted: Any, timeout_s: float) -> None:
        """Wait for something or the channel's end, whichever is first; bounded."""
        tasks = {asyncio.ensure_future(wanted), asyncio.ensure_future(self._channel.ended.wait())}
        try:
            await asyncio.wait(tasks, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()

    async def _start_failure(self, timeout_s: float) -> Fault:
        if bug := self._bug():
            return bug
        if self._channel.ended.is_set():
            until = asyncio.get_running_loop().time() + SETTLE_S
            while not self._channel.seen.closed and asyncio.get_running_loop().time() < until:
                await asyncio.sleep(0.01)
        return explain(self._channel.seen, self.host, timeout_s)

    async def _keep_heard(self) -> None:
        while not self.lost.is_set():
            await asyncio.sleep(HEARTBEAT_S)
            if self.shares_link:
                continue
            with contextlib.suppress(Fault):
                await self.request("clock")

    def _heartbeat_over(self, task: asyncio.Task[None]) -> None:
        """A session that nobody keeps alive any more ends by what ended that, rather than one day by silence."""
        error = None if task.cancelled() else task.exception()
        if isinstance(error, Exception):
            self._channel.seen.bug = self._channel.seen.bug or error
            self._channel.close()

    def _heard(self, message: Json, weight_bytes: int) -> None:
        if self.log is not None:
            self.log.heard(message)
        kind, number = message.get("kind"), message.get("id")
        if kind == "hello" and not self._hello.done():
            if problem := answers.HELLO(message.get("body")):
                self._channel.damaged(f"the helper's first message is none of linktrial's: it {problem}")
            else:
                self._hello.set_result(message["body"])
            return
        job = self._jobs.get(number) if isinstance(number, int) else None
        if job is not None and kind in ("event", "done", "error"):
            job.take(kind, message, weight_bytes)
            if kind != "event" or job.done:
                self._jobs.pop(job.number, None)
            return
        self._unasked_bytes += weight_bytes
        if self._unasked_bytes > UNASKED_LIMIT_BYTES:
            self._channel.damaged("the host says without end what nobody has asked for")

    def _ended(self) -> None:
        self.lost.set()
        seen = self._channel.seen
        why = (
            seen.damage
            or seen.lost
            or (
                f"the helper ended with status {seen.exit_status}"
                if seen.exit_status is not None
                else "the connection was lost"
            )
        )
        said = seen.diagnostics.decode("utf-8", errors="replace")[-2000:]
        bug = self._bug() if self._jobs else None
        for job in list(self._jobs.values()):
            job.fail(bug or self.error("noise" if seen.damage else "lost", why, said=said))
        self._jobs.clear()

    def _bug(self) -> BugError | None:
        """The error of ours that has ended the session, for whoever meets it first: to others it is a lost one."""
        error, self._channel.seen.bug = self._channel.seen.bug, None
        if error is None:
            return None
        bug = BugError("session", f"{self.host.name}: the session ended by an error of ours: {as_fault(error).message}")
        bug.__cause__ = error
        return bug


async def connect(
    host: HostAddress,
    *,
    ssh_config: str | None = None,
    timeout_s: float = START_TIMEOUT_S,
    log: MessageLog | None = None,
) -> HostSession:
    """Log in to a host, start its helper, and return the session. HostError with host, code and what to do.

    `log` is told of each message.
    """
    login = await log_in(host, ssh_config=ssh_config, timeout_s=timeout_s)
    session = HostSession(host, login)
    session.log = log
    try:
        await session.open(timeout_s)
    except BaseException:
        await session.close()
        raise
    return session
