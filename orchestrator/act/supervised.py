"""Tasks none of which can end unheard, and work in a thread that nobody has to wait for."""

from __future__ import annotations

import asyncio
import functools
import threading
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, TypeVar

from orchestrator.faults import BugError, Fault, HostError

T = TypeVar("T")
Died = Callable[[BaseException], None]
Task = asyncio.Task[None]
END_TIMEOUT_S = 30.0  # for what tasks do when they are cancelled: each of their waits is shorter


class Supervisor:
    """Tasks that are at work. One that raises, or is cancelled by anybody else, is told of; every end is."""

    def __init__(self, ended: Callable[[], None]) -> None:
        """`ended` is called after the end of every task, however it came about."""
        self._ended = ended
        self._died: dict[Task, Died] = {}

    @property
    def idle(self) -> bool:
        """Nothing is at work."""
        return not self._died

    def begin(self, work: Coroutine[Any, Any, None], died: Died) -> Task:
        """Begin a task; `died` hears of the error when it raises, or of its cancellation by somebody else."""
        task = asyncio.ensure_future(work)
        self._died[task] = died
        task.add_done_callback(self._look_at)
        return task

    def cancel(self, task: Task) -> None:
        """End a task whose end nobody needs to hear of; an error of ours that it meets in ending is told even so."""
        if task in self._died:
            self._died[task] = functools.partial(_if_ours, self._died[task])
            task.cancel()

    async def end(self) -> None:
        """End all tasks; bounded, since one may hang in its own clean-up."""
        tasks = list(self._died)
        for task in tasks:
            self.cancel(task)
        if tasks:
            await asyncio.wait(tasks, timeout=END_TIMEOUT_S)

    def _look_at(self, task: Task) -> None:
        died = self._died.pop(task)
        error = error_of(task)  # a CancelledError is nobody's of ours, or it would be unheard
        if error is not None:
            died(error)
        self._ended()


def _if_ours(died: Died, error: BaseException) -> None:
    """The end of a task that was cancelled on purpose: as it should be, or by an error that nobody meant."""
    if isinstance(error, BugError) or not isinstance(error, Fault | asyncio.CancelledError):
        died(error)


def is_wanted(error: BaseException) -> bool:
    """Whether the task that runs now is cancelled by this; a CancelledError out of the blue is an error of ours."""
    task = asyncio.current_task()
    return isinstance(error, asyncio.CancelledError) and task is not None and task.cancelling() > 0


def error_of(task: asyncio.Task[Any]) -> BaseException | None:
    """What a task that is done has ended with, a CancelledError too."""
    try:
        return task.exception()
    except asyncio.CancelledError as cancelled:
        return cancelled


def raise_own(*outcomes: object) -> None:
    """Raise what a task that was ended on purpose has met, if it is an error of ours and no host's."""
    for outcome in outcomes:
        if isinstance(outcome, Exception) and not isinstance(outcome, HostError):
            raise outcome


async def end_heard(*tasks: asyncio.Task[Any]) -> None:
    """End tasks whose result nobody wants any more; an error of ours that one of them has met is raised."""
    wanted = [task.cancel() for task in tasks]
    await asyncio.gather(*tasks, return_exceptions=True)
    errors = [error_of(task) for task in tasks]
    raise_own(*errors)
    for error, was_at_work in zip(errors, wanted, strict=True):
        if isinstance(error, asyncio.CancelledError) and not was_at_work:
            raise error


async def all_of(*works: Awaitable[T]) -> list[T]:
    """What each returns. When one fails, or all are cancelled, all are ended; an error of ours in any of them leads.

    `asyncio.gather` would tell of the first error alone, and of none once it is cancelled.
    """
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        return list(await asyncio.gather(*tasks))
    except BaseException:
        await end_heard(*tasks)
        raise


async def within(work: Coroutine[Any, Any, T], timeout_s: float, what: str) -> T:
    """The answer of something that has bounds of its own; BugError when it outlives `timeout_s` seconds."""
    try:
        async with asyncio.timeout(timeout_s) as limit:
            return await work
    except TimeoutError as error:
        if not limit.expired():
            raise
        raise BugError(
            "overdue", f"{what} had not ended after {timeout_s:g} s, although each of its steps has a bound"
        ) from error


async def in_thread(work: Callable[[], T], timeout_s: float) -> T:
    """What `work` returns, done in a thread of its own; TimeoutError when it takes longer than `timeout_s` seconds.

    The thread is a daemon: one that never ends keeps neither the loop nor the process from ending.
    """
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[T] = loop.create_future()

    def settle(error: BaseException | None, *result: T) -> None:
        if answer.done():
            return
        if error is None:
            answer.set_result(*result)
        else:  # a future takes no StopIteration
            answer.set_exception(RuntimeError(repr(error)) if isinstance(error, StopIteration) else error)

    def run() -> None:
        try:
            outcome: tuple[Any, ...] = (None, work())
        except BaseException as error:
            outcome = (error,)
        try:
            loop.call_soon_threadsafe(settle, *outcome)
        except RuntimeError:  # the loop is closed: nobody waits any more
            return

    threading.Thread(target=run, daemon=True, name="linktrial-advice").start()
    return await asyncio.wait_for(answer, timeout_s)
