"""Ctrl-C and SIGTERM from a command's first moment to its last word: none is lost, none cuts a file in half.

While hosts may be changed a signal is an event of the run, which restores them first. While tables and reports are made
it is an exception, `Interrupted`, so that the command can say what is there and what is not. At any other moment it is
remembered (`seen`), and whoever would begin something new looks first. A lost terminal (SIGHUP) ends nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from types import FrameType, TracebackType

from orchestrator.act.runner import Runner
from orchestrator.decide.events import StopAsked

_STOPS = {signal.SIGINT: StopAsked("interrupt", "interrupted"), signal.SIGTERM: StopAsked("terminate", "terminated")}


class Interrupted(BaseException):
    """Somebody wants the command to end while it makes files; as KeyboardInterrupt, nobody takes it for an error."""


class Signals:
    """`with Signals() as signals`: the handlers stand until the block ends, those of before stand again after it."""

    def __init__(self) -> None:
        """Nothing is handled yet."""
        self.seen = 0  # the exit code that a signal asks for which no run has heard of; 0 for none
        self._raises = False
        self._before: dict[int, object] = {}

    def __enter__(self) -> Signals:
        """Handle both signals from now on."""
        self._before = {number: signal.getsignal(number) for number in _STOPS}
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        self._take_over()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """As before."""
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type] # what getsignal gave

    @contextlib.contextmanager
    def posted_to(self, runner: Runner) -> Iterator[None]:
        """In a running loop: a signal is an event of the run. One that came before, or comes too late, counts, too."""
        loop = asyncio.get_running_loop()
        for number in _STOPS:
            loop.add_signal_handler(number, self._post, runner, number)
        if self.seen:
            runner.post(next(stop for number, stop in _STOPS.items() if 128 + number == self.seen))
            self.seen = 0
        try:
            yield
        finally:
            # asyncio would leave Python's own handlers behind: SIGTERM must not find them for a moment
            signal.pthread_sigmask(signal.SIG_BLOCK, _STOPS)
            for number in _STOPS:
                loop.remove_signal_handler(number)
            self._take_over()
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOPS)
            self._remember(runner)

    @contextlib.contextmanager
    def raised(self) -> Iterator[None]:
        """A signal raises Interrupted, at once if one was seen before; only the first does."""
        try:
            self._raises = True
            if self.seen:
                raise Interrupted
            yield
        finally:
            self._raises = False

    def _take_over(self) -> None:
        for number in _STOPS:
            signal.signal(number, self._note)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self.seen = self.seen or 128 + number
        if self._raises:
            self._raises = False
            raise Interrupted

    def _post(self, runner: Runner, number: signal.Signals) -> None:
        runner.post(_STOPS[number])

    def _remember(self, runner: Runner) -> None:
        """What came when the run had ended already is for whoever would begin the next thing."""
        while not runner.events.empty():
            event = runner.events.get_nowait()
            if isinstance(event, StopAsked) and event in _STOPS.values():
                self.seen = self.seen or next(128 + number for number, stop in _STOPS.items() if stop == event)


def survive_a_lost_terminal() -> None:
    """Writing to a closed terminal must not end a run: both streams are tried, and replaced when they are dead."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
