"""A connection over a link that may be down for a while: tried again and again, the tries beside each other."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from orchestrator.act.supervised import end_heard, error_of
from orchestrator.faults import HostError

T = TypeVar("T")


async def first_of_tries(
    begin: Callable[[], Awaitable[T]],
    end: Callable[[T], Awaitable[None]],
    *,
    every_s: float,
    pause_s: float,
    until: float,
) -> T:
    """What the first try that succeeds returns; TimeoutError when none has by `until` (the loop's clock, seconds).

    Another try begins every `every_s` seconds, and `pause_s` after one has failed. Those before it go on: one that
    began while the link was down waits ever longer between its packets, while a slow machine just needs its time.
    What a second one returns is for `end`.
    """
    clock = asyncio.get_running_loop().time
    tries: set[asyncio.Task[T]] = set()
    winner: asyncio.Task[T] | None = None
    try:
        async with asyncio.timeout_at(until):
            while True:
                tries.add(asyncio.ensure_future(begin()))
                due = clock() + every_s
                while (at_work := {one for one in tries if not one.done()}) and clock() < due:
                    ended, _ = await asyncio.wait(at_work, timeout=due - clock(), return_when=asyncio.FIRST_COMPLETED)
                    winner = next((one for one in ended if _succeeded(one)), None)
                    if winner is not None:
                        return winner.result()
                    if ended:
                        due = min(due, clock() + pause_s)
                await asyncio.sleep(max(0.0, due - clock()))
    finally:
        await end_heard(*tries)
        for one in tries - {winner}:
            if error_of(one) is None:
                await end(one.result())


def _succeeded(one: asyncio.Task[T]) -> bool:
    """Whether a try that has ended was made; an error that is no host's is raised."""
    error = error_of(one)
    if error is not None and not isinstance(error, HostError | TimeoutError):
        raise error
    return error is None
