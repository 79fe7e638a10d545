"""An error at the command line: a fault in its words; one of ours in a sentence, with its traceback in a file."""

from __future__ import annotations

import os
import sys
import tempfile

from orchestrator import __version__
from orchestrator.cli.say import say, say_text, trace_lines, typed
from orchestrator.faults import Fault, as_fault


def say_fault(fault: Fault, about: str = "") -> None:
    """What a fault says, and what to do; `about` is the host or link that it concerns."""
    from orchestrator.planning.problems import PlanProblems

    named = f"linktrial: {about + ': ' if about else ''}{fault.message}"
    if isinstance(fault, PlanProblems):  # its lines are our own, and what it quotes of a plan stands within one
        say_text(named, err=True)
    else:
        say(named, err=True)
    if fault.next_step:
        say(f"  what to do: {fault.next_step}", err=True)


def say_own_fault(error: BaseException, about: str = "") -> None:
    """One sentence about an error of ours, and where its traceback is; `about` is the host that it concerns."""
    fault = as_fault(error)
    say(f"linktrial: {about + ': ' if about else ''}our own fault: {fault.message}", err=True)
    kept = _keep_traceback(error)
    report = f"please report it with {typed(kept)}, which has the traceback" if kept else "please report it"
    say(f"  what to do: {fault.next_step + '; ' if fault.next_step else ''}{report}", err=True)


def _keep_traceback(error: BaseException) -> str:
    """The path of a new file, readable by the user alone, with the traceback; "" where none can be written."""
    try:
        handle, path = tempfile.mkstemp(prefix="linktrial-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"linktrial {__version__}, Python {sys.version.split()[0]}: {' '.join(sys.argv)}\n")
            file.writelines(f"{line}\n" for line in trace_lines(error))
    except OSError:
        return ""
    return path
