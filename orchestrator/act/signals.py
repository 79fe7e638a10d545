"""Signals as events: Ctrl-C and SIGTERM end the run in order, a lost terminal does not end it at all."""

from __future__ import annotations

import asyncio
import os
import signal
import sys

from orchestrator.act.runner import Runner
from orchestrator.decide.events import StopAsked


def listen(runner: Runner) -> None:
    """Turn signals into events of the run, from now on; SIGHUP is ignored, so that a closed terminal is harmless."""
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGINT, lambda: runner.post(StopAsked("interrupt", "interrupted")))
    loop.add_signal_handler(signal.SIGTERM, lambda: runner.post(StopAsked("terminate", "terminated")))
    signal.signal(signal.SIGHUP, signal.SIG_IGN)


def survive_a_lost_terminal() -> None:
    """Writing to a closed terminal must not end a run: both streams are tried, and replaced when they are dead."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
