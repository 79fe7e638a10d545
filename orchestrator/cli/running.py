"""What `run` and `resume` share: the runner set going, and its folder finished whatever the end was."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.act.signals import Interrupted, Signals, survive_a_lost_terminal
from orchestrator.cli import last_words
from orchestrator.cli.access import Access, opener
from orchestrator.cli.plans import LoadedPlan
from orchestrator.cli.progress import ERROR, Progress
from orchestrator.cli.say import say
from orchestrator.decide.as_found.host_ends import host_ends
from orchestrator.decide.events import Event
from orchestrator.decide.state import RunState
from orchestrator.faults import BugError
from orchestrator.planning.order import Trial
from orchestrator.planning.screening import screen_as_dict
from orchestrator.words.exit_codes import Exit, most_serious

if TYPE_CHECKING:
    from rich.console import Console


def drive(
    state: RunState,
    loaded: LoadedPlan,
    folder: Path,
    access: Access,
    first_event: Event | None = None,
    lab: Mapping[str, Any] | None = None,
    signals: Signals | None = None,
) -> int:
    """Run until the end, say of every host how it is left, write tables and report, print the matrix; the exit code.

    `signals`: those of the suite that the run is part of, which then says itself what is next.
    """
    from orchestrator.act.actions import HostActions
    from orchestrator.act.bundle import helper_bundle
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, write_run_json, writing
    from orchestrator.act.runner import ANY, Runner

    def more_trials(state: RunState) -> tuple[list[Trial], str]:
        from orchestrator.results.statistics import (
            enough,  # statistics are slow to load, and most plans need none while running
        )

        return enough.more_trials(state)

    survive_a_lost_terminal()
    plan = loaded.plan
    about: dict[str, Any] = {
        "started_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "helper_hash": helper_bundle().sha256,
        "bench": dict(plan.bench),
        "purpose": plan.purpose,
        "threshold_ratio": plan.threshold_ratio,
        "lab": dict(lab) if lab else None,
        "binds": loaded.binds,
        "screen": screen_as_dict(plan),
    }

    async def run(signals: Signals) -> int:
        actions = HostActions(state, opener(plan, access, progress.debug if access.debug else None))
        runner = Runner(state, journal, actions, progress, more_trials)
        asyncio.get_running_loop().set_exception_handler(
            lambda _, context: runner.unhandled(context.get("exception") or BugError("loop", context["message"]))
        )
        with signals.posted_to(runner):
            code = await runner.run(first_event)
            await asyncio.sleep(0)  # what arrived in the last moment is posted before nobody listens any more
        for bug in runner.bugs:
            progress.trace(bug)
        if runner.bug is not None:
            progress.say(last_words.own_fault(runner.bug, folder), level=ERROR)
            code = most_serious(code, Exit.OUR_FAULT)
        return code

    with contextlib.ExitStack() as opened:
        heard = signals or opened.enter_context(Signals())
        with writing(folder):
            progress = opened.enter_context(contextlib.closing(Progress(folder / "log.txt")))
            journal = opened.enter_context(Journal(journal_path(folder)))
            write_run_json(folder, state, ended_at=None, **about)
            if not journal.entries_found:  # with this line the run has begun: all else is there by then
                journal.append("setup", state.setup.as_dict())
        try:
            code = asyncio.run(run(heard))
        except ANY as error:  # not even the runner could begin or end: nobody has looked at the hosts
            progress.trace(error)
            held = any(host.token or host.changed for host in state.hosts.values())
            code = Exit.NOT_AS_FOUND if held else Exit.OUR_FAULT
            progress.say(last_words.own_fault(error, folder), level=ERROR)
        progress.say(*last_words.host_lines(host_ends(state)))
        code = _finish(
            code,
            state,
            folder,
            progress,
            heard,
            lambda ended_at: write_run_json(folder, state, ended_at=ended_at, exit_code=code, **about),
        )
        if not signals and (steps := last_words.next_steps(code, state, folder)):
            progress.say(*steps)
    return code


def _finish(
    code: int, state: RunState, folder: Path, progress: Progress, heard: Signals, write_end: Callable[[str], None]
) -> int:
    """The run's files and its results on the screen; the exit code, which only a more serious one replaces."""
    from orchestrator.act.run_folder import write_surveys

    try:
        write_end(datetime.now(UTC).isoformat(timespec="seconds"))
        write_surveys(folder, state)
        with heard.raised():
            tell_results(folder, state)
    except OSError as error:  # the hosts are free already, and the journal holds all that was measured
        progress.say(f"cannot write the run's files: {error}", f"make room there; {last_words.report_command(folder)}")
        return most_serious(code, Exit.STOPPED_EARLY)
    except Interrupted:
        progress.say(*last_words.report_is_missing(folder, state, host_ends(state)))
        return most_serious(code, heard.seen)
    except Exception as error:  # whatever it is, the run's own end is known and told
        progress.trace(error)
        progress.say(
            f"while the run's files were made: {last_words.own_fault(error, folder)}",
            f"what was measured is in the journal; {last_words.report_command(folder)}",
        )
        return most_serious(code, Exit.OUR_FAULT)
    return code


def tell_results(folder: Path, state: RunState) -> None:
    """The report and its matrix where a trial was measured; otherwise what the rehearsal alone has shown."""
    if any(position > 0 for position in state.outcomes):
        finish_folder(folder)
    elif state.outcomes:
        from orchestrator.results.tables import write_tables

        write_tables(folder)
        with contextlib.suppress(OSError):
            say(*last_words.rehearsal_lines(state))


def finish_folder(folder: Path, *, shows: bool = True) -> None:
    """Tables from the journal, the report from the tables, and unless it `shows` nothing the matrix on the screen."""
    from orchestrator.report import write_report
    from orchestrator.report.terminal import print_matrix
    from orchestrator.results.tables import write_tables

    write_tables(folder)
    write_report(folder)
    if not shows:
        return
    # nobody reads it any more (rich ends the program then, by SystemExit): what was measured is in the folder
    with contextlib.suppress(OSError, SystemExit):
        print_matrix(folder, console_for_results())


def console_for_results() -> Console:
    """Where results go: standard output, without colour when it is no terminal or NO_COLOR is set."""
    from rich.console import Console

    return Console()
