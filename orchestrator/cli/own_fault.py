"""An error of ours at the command line: one sentence and what to do on the terminal, the traceback in a file."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback

import click

from orchestrator import __version__
from orchestrator.faults import Fault, as_fault
from orchestrator.planning.problems import PlanProblems
from orchestrator.results.plain_text import visible


def say_fault(fault: Fault, about: str = "") -> None:
    """What a fault says, and what to do; `about` is the host or link that it concerns."""
    # A plan's problems are many lines, each made visible where it is written; any other message is one.
    message = fault.message if isinstance(fault, PlanProblems) else visible(fault.message)
    # A plan's problems are many lines, each made visible where it is written; any other message is one.
    message = fault.message if isinstance(fault, PlanProblems) else visible(fault.message)
    click.echo(f"linktrial: {about + ': ' if about else ''}{message}", err=True)
    if fault.next_step:
        click.echo(f"  what to do: {visible(fault.next_step)}", err=True)


def say_own_fault(error: BaseException, about: str = "") -> None:
    """One sentence about an error of ours, and where its traceback is; `about` is the host that it concerns."""
    fault = as_fault(error)
    click.echo(f"linktrial: {about + ': ' if about else ''}our own fault: {visible(fault.message)}", err=True)
    kept = _keep_traceback(error)
    report = f"please report it with {kept}, which has the traceback" if kept else "please report it"
    click.echo(f"  what to do: {visible(fault.next_step) + '; ' if fault.next_step else ''}{report}", err=True)


def _keep_traceback(error: BaseException) -> str:
    """The path of a new file, readable by the user alone, with the traceback; "" where none can be written."""
    try:
        handle, path = tempfile.mkstemp(prefix="linktrial-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"linktrial {__version__}, Python {sys.version.split()[0]}: {' '.join(sys.argv)}\n")
            file.write("".join(traceback.format_exception(error)))
    except OSError:
        return ""
    return path
