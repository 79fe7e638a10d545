"""What a person sees while a run goes on: one plain line per thing that matters, and the same in log.txt.

A line of log.txt is the time (UTC), a level (debug, info, warning, error), and what was said: `grep ' error '` finds
what went wrong. A dead terminal never stops a run: the first write that fails ends the talking, not the work.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from orchestrator.cli.say import trace_lines, write_visible
from orchestrator.decide import commands as do
from orchestrator.decide import events as ev
from orchestrator.decide.as_found import stays
from orchestrator.decide.machine import NOT_AS_FOUND
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.state import RunState
from orchestrator.decide.verdict.evidence import goodputs
from orchestrator.faults import Fault, FaultDict
from orchestrator.run_files import Folder
from orchestrator.words.figures import count_text, rate_text
from orchestrator.words.plain_text import visible

HEARTBEAT_S = 30.0
DEBUG, INFO, WARNING, ERROR = "debug", "info", "warning", "error"


class Progress:
    """Listens to a run and tells of it, on a terminal or into a pipe."""

    def __init__(self, log: Path, stream: TextIO | None = None) -> None:
        """`log` gets every line with its time; `stream` (standard error) the same without."""
        self._log = os.fdopen(Folder(log.parent).open_append(log.name), "a", encoding="utf-8")
        self._stream: TextIO | None = stream or sys.stderr
        self._began_s = time.monotonic()
        self._said_s = 0.0
        self._last_words = ""

    def __call__(self, state: RunState, item: ev.Event | do.Command | str) -> None:
        """One event, command, or word from a trial in flight."""
        if isinstance(item, str):
            self._passing(item)
            return
        told = _TELLERS.get(type(item), _nothing)(state, item)
        if told:
            self.say(*([told] if isinstance(told, str) else told), level=level_of(item))

    def say(self, line: str, *more: str, level: str = INFO) -> None:
        """One line, or several, to both; a line's end within one is shown, not obeyed."""
        for one in (line, *more):
            self._say(visible(one), level)

    def debug(self, line: str) -> None:
        """One line into the log only."""
        self._note(line, DEBUG)

    def _note(self, text: str, level: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # a full disk ends the run through its journal, not its log
            write_visible(self._log, f"{datetime.now(UTC).isoformat(timespec='milliseconds')} {level:<7} {text}")

    def _say(self, text: str, level: str) -> None:
        self._said_s = time.monotonic()
        self._note(text, level)
        if self._stream is not None:
            try:
                write_visible(self._stream, text)
            except (OSError, ValueError):
                self._stream = None

    def _passing(self, words: str) -> None:
        if words and (words != self._last_words or time.monotonic() - self._said_s > HEARTBEAT_S):
            self._last_words = words
            self.say(f"    {words}")

    def trace(self, error: BaseException) -> None:
        """The traceback of an error of ours, into the log only."""
        there = error.values.get("trace") if isinstance(error, Fault) else None
        for line in (*trace_lines(error), *(["on the host:", *str(there).splitlines()] if there else [])):
            self._note(line, ERROR)

    def close(self) -> None:
        """Close the log."""
        with contextlib.suppress(OSError):  # what a full disk did not take is lost here, too
            self._log.close()


def level_of(item: ev.Event | do.Command) -> str:
    """A host that can take no further part is an error; what is repeated or doubted is a warning."""
    if isinstance(item, ev.HostFailed):
        return ERROR
    if isinstance(item, ev.SessionLost | ev.ConductBroken | ev.StopAsked | do.PowerCycle):
        return WARNING
    if isinstance(item, ev.Conducted) and (item.verdict["status"] != "valid" or item.verdict["doubts"]):
        return WARNING
    return INFO


def _rate(bit_s: float) -> str:
    """Four digits, and a space that `grep` finds."""
    return rate_text(bit_s, digits=4, gap=" ")


def _nothing(_: RunState, _item: object) -> str:
    return ""


def _connected(_: RunState, event: ev.Connected) -> str:
    facts = event.facts
    return f"{event.host}: reached; kernel {facts.get('kernel', '?')}, Python {facts.get('python', '?')}"


def _host_failed(_: RunState, event: ev.HostFailed) -> list[str]:
    values = event.fault.get("values") or {}
    left = stays_lines(event.host, values) if event.fault.get("code") == NOT_AS_FOUND else []
    return [_with_next_step(event.fault), *left]


def _with_next_step(fault: FaultDict) -> str:
    next_step = fault.get("next_step") or ""
    return f"{fault.get('message', '')}" + (f" - {next_step}" if next_step else "")


def _prepared(_: RunState, event: ev.Prepared) -> str:
    own = ", ".join(f"{transport} {_rate(rate)}" for transport, rate in event.instrument.items())
    ceiling = f"; the traffic pair alone reaches {own}" if own else ""
    return f"{event.host}: watchdog verified, {count_text(len(event.before), 'setting')} recorded as found{ceiling}"


def _conduct(state: RunState, command: do.Conduct) -> str:
    trial = state.trial(command.position)
    again = f", attempt {command.attempt}" if command.attempt > 1 else ""
    key = state.setup.cell(trial.cell).key
    if trial.role == "rehearse":
        count = sum(other.role == "rehearse" for other in state.schedule)
        return f"rehearsal {command.position + count + 1} of {count}{again}: {key}"
    what = "control trial" if trial.role == "control" else "trial"
    return f"{what} {command.position} of {max(other.position for other in state.schedule)}{again}: {key}"


def _conducted(state: RunState, event: ev.Conducted) -> str:
    status, reason = event.verdict["status"], event.verdict["reason"]
    label = "    rehearsal, no result: " if state.trial(event.position).role == "rehearse" else "    "
    if status != "valid":
        return f"{label}{status}: {reason}"
    doubts = event.verdict["doubts"]
    return f"{label}{_goodputs(event.record)}" + (f"  (noted: {', '.join(doubts)})" if doubts else "")


def _goodputs(record: TrialRecord) -> str:
    return ", ".join(f"{way} {_rate(goodput)}" for way, goodput in goodputs(record).items())


def _broken(state: RunState, event: ev.ConductBroken) -> str:
    """What becomes of the trial: the run has noted the event already."""
    then = (
        "the run stops here"
        if state.stop
        else "it counts as failed"
        if event.position in state.outcomes
        else "the trial will be repeated"
    )
    return f"    broken off: {event.fault.get('message', '')}; {then}"


def _lost(_: RunState, event: ev.SessionLost) -> str:
    return f"{event.host}: session lost ({event.fault.get('message', '')}); trying to reach it again"


def _rejoined(_: RunState, event: ev.Rejoined) -> str:
    words = {
        "kept": "its settings are as we left them",
        "reverted": "it had restored itself",
        "rebooted": "it has restarted",
    }
    return f"{event.host}: reached again; {words[event.outcome]}"


def _power_cycle(state: RunState, command: do.PowerCycle) -> str:
    words = next((shlex.join(switch.command) for switch in state.setup.power if switch.host == command.host), "")
    return f"{command.host}: no sign of life; switching its power off and on: {words}"


def stays_lines(host: str, result: stays.Told) -> list[str]:
    """What is still changed on a host, why, and the command that a person can put each right with."""
    return [f"    {line}" for line in stays.lines(host, result)]


def _stop(state: RunState, event: ev.StopAsked) -> str:
    if state.hurry:
        return f"leaving the hosts to their leases: each restores itself within {state.setup.lease_s:.0f} s"
    return f"stopping ({event.reason}); restoring the hosts. Once more to leave that to their leases."


def _finish(state: RunState, _: do.Finish) -> str:
    """Why a run was refused by what its hosts are; what one of them answered has been told already."""
    if not state.refused or any(host.fault == state.refused for host in state.hosts.values()):
        return ""
    return _with_next_step(state.refused)


_TELLERS: dict[type[Any], Callable[[RunState, Any], str | list[str]]] = {
    ev.Connected: _connected,
    ev.HostFailed: _host_failed,
    ev.Prepared: _prepared,
    do.Conduct: _conduct,
    ev.Conducted: _conducted,
    ev.ConductBroken: _broken,
    ev.SessionLost: _lost,
    ev.Rejoined: _rejoined,
    ev.StopAsked: _stop,
    do.PowerCycle: _power_cycle,
    do.Finish: _finish,
}
