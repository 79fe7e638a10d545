"""An event loop whose clock jumps to the next timer as soon as nothing else can happen."""

from __future__ import annotations

import asyncio
import contextlib
import selectors
import warnings
from typing import Any


class Deadlock(AssertionError):  # noqa: N818 - a finding, as its base says
    """Every task waits, and no timer will ever wake one."""


class _JumpingSelector(selectors.SelectSelector):
    """Waits for nothing: time passes at once instead."""

    def __init__(self, loop: VirtualLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise Deadlock("every task waits for something that cannot happen")
        self._loop.now += max(timeout, 0.0)
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """Deterministic: one thread, no sockets, time only moves by the timers that tasks set."""

    def __init__(self, start_s: float = 1000.0) -> None:
        self.now = start_s
        super().__init__(_JumpingSelector(self))

    def time(self) -> float:
        return self.now

    def _make_self_pipe(self) -> None:  # no sockets: nothing wakes this loop from outside
        self._ssock = self._csock = None  # type: ignore[assignment]

    def _close_self_pipe(self) -> None:
        pass

    def _write_to_self(self) -> None:
        pass

    def close(self) -> None:
        """A dead controller's tasks end with it: left to the garbage, they would speak up in other tests."""
        if not self.is_closed():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)  # never begun: its controller died first
                for task in asyncio.all_tasks(self):
                    task._log_destroy_pending = False  # type: ignore[attr-defined]
                    with contextlib.suppress(BaseException):
                        task.get_coro().close()  # type: ignore[union-attr]
        super().close()
