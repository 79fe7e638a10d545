"""What `run` and `resume` share: the runner set going, and its folder finished whatever the end was."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli.access import Access, opener
from orchestrator.cli.exits import Exit, most_serious
from orchestrator.cli.plans import LoadedPlan
from orchestrator.cli.progress import Progress
from orchestrator.decide.events import Event
from orchestrator.decide.state import RunState
from orchestrator.faults import BugError, as_fault
from orchestrator.planning.order import Trial
from orchestrator.planning.screening import screen_as_dict

if TYPE_CHECKING:
    from rich.console import Console


def drive(state: RunState, loaded: LoadedPlan, folder: Path, access: Access, first_event: Event | None = None,
          lab: Mapping[str, Any] | None = None) -> int:
    """Run until the end, write tables and report, print the matrix; the exit code."""
    from orchestrator.act.actions import HostActions
    from orchestrator.act.bundle import helper_bundle
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, write_run_json, write_surveys, writing
    from orchestrator.act.runner import Runner
    from orchestrator.act.signals import listen, survive_a_lost_terminal

    def more_trials(state: RunState) -> tuple[list[Trial], str]:
        from orchestrator.results import enough  # statistics are slow to load, and most plans need none while running

        return enough.more_trials(state)

    survive_a_lost_terminal()
    plan = loaded.plan
    about: dict[str, Any] = {
        "started_at": datetime.now(UTC).isoformat(timespec="seconds"), "helper_hash": helper_bundle().sha256,
        "bench": dict(plan.bench), "purpose": plan.purpose, "threshold_ratio": plan.threshold_ratio,
        "lab": dict(lab) if lab else None, "binds": loaded.binds, "screen": screen_as_dict(plan)}

    async def run() -> int:
        actions = HostActions(state, opener(plan, access))
        runner = Runner(state, journal, actions, progress, more_trials)
        listen(runner)
        asyncio.get_running_loop().set_exception_handler(
            lambda _, context: runner.unhandled(context.get("exception") or BugError("loop", context["message"])))
        code = await runner.run(first_event)
        for bug in runner.bugs:
            progress.trace(bug)
        if runner.bug is not None:
            progress.say(_own_fault(runner.bug, folder, code))
            code = most_serious(code, Exit.OUR_FAULT)
        return code

    with contextlib.ExitStack() as open_files:
        with writing(folder):
            progress = Progress(folder / "log.txt")
            journal = open_files.enter_context(Journal(journal_path(folder)))
            if not journal.entries_found:
                journal.append("setup", state.setup.as_dict())
            write_run_json(folder, state, ended_at=None, **about)
        code = asyncio.run(run())
    try:
        ended_at = datetime.now(UTC).isoformat(timespec="seconds")
        write_run_json(folder, state, ended_at=ended_at, exit_code=code, **about)
        write_surveys(folder, state)
        if any(position > 0 for position in state.outcomes):
            finish_folder(folder)
        elif state.outcomes:
            tell_rehearsal(folder, state)
    except OSError as error:  # the hosts are free already, and the journal holds all that was measured
        progress.say(f"cannot write the run's files: {error}; make room there, then: linktrial report {folder}")
        code = most_serious(code, Exit.STOPPED_EARLY)
    except Exception as error:  # as above; whatever it is, the run's own end is known and told
        progress.trace(error)
        progress.say(f"our own fault while the run's files were made: {as_fault(error).message}; please report it "
                     f"with {folder / 'log.txt'}, which has the traceback. What was measured is in the journal: "
                     f"linktrial report {folder}")
        code = most_serious(code, Exit.OUR_FAULT)
    progress.close()
    return code


def _own_fault(bug: BaseException, folder: Path, code: int) -> str:
    """One sentence and the next command, for a run that an error of ours has ended; its traceback is in the log."""
    fault = as_fault(bug)
    next_step = f"linktrial recover {folder}" if code == Exit.NOT_AS_FOUND else f"linktrial resume {folder}"
    return (f"our own fault: {fault.message}; please report it with {folder / 'log.txt'}, which has the traceback. "
            f"{'To put back what is left' if code == Exit.NOT_AS_FOUND else 'To go on with the run'}: {next_step}")


def tell_rehearsal(folder: Path, state: RunState) -> None:
    """What the rehearsal alone has shown: what is refused, and what each change costs."""
    from orchestrator.results.tables import write_tables

    write_tables(folder)
    for position, outcome in sorted(state.outcomes.items()):
        key = state.setup.cell(state.trial(position).cell).key
        click.echo(f"{outcome['status']:<10} {key}" + (f": {outcome['reason']}" if outcome["reason"] else ""))
    for setting, cost_s in sorted(state.costs_s.items(), key=lambda item: -item[1]):
        click.echo(f"a change of {setting} takes {cost_s:.2f} s")


def finish_folder(folder: Path) -> None:
    """Tables from the journal, the report from the tables, the matrix on the screen."""
    from orchestrator.report import write_report
    from orchestrator.report.terminal import print_matrix
    from orchestrator.results.tables import write_tables

    write_tables(folder)
    write_report(folder)
    # nobody reads it any more (rich ends the program then, by SystemExit): what was measured is in the folder
    with contextlib.suppress(OSError, SystemExit):
        print_matrix(folder, console_for_results())


def console_for_results() -> Console:
    """Where results go: standard output, without colour when it is no terminal or NO_COLOR is set."""
    from rich.console import Console

    return Console()
