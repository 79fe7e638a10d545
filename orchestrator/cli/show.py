"""`linktrial show`: how far a run has come, from another terminal; and trials called doubtful by a person."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.say import say, say_json, typed
from orchestrator.cli.views import run_view, view_lines
from orchestrator.faults import PlanError
from orchestrator.results.suite import is_suite, open_suite


@click.command()
@click.argument("run", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--json", "as_json", is_flag=True, help="For programs.")
@click.option("--doubt", type=int, metavar="TRIAL", help="Call a trial doubtful; needs --because.")
@click.option("--because", default="", help="Why the trial is doubtful, for example: the cable was touched.")
@click.option("--no-doubt", type=int, metavar="TRIAL", help="Take the doubt back.")
def command(run: Path, as_json: bool, doubt: int | None, because: str, no_doubt: int | None) -> int:
    """Say how far the run, or the suite, in folder RUN has come. A run going on is not disturbed."""
    marks = doubt is not None or no_doubt is not None
    if is_suite(run):
        if marks:
            raise PlanError(
                "usage",
                f"{run} is a suite: a trial is one of a run",
                next_step=f"name the run's folder; linktrial show {typed(run)} lists them",
            )
        return _show_suite(run, as_json=as_json)
    if marks:
        return _mark(run, doubt, because, no_doubt)
    view = run_view(run)
    say_json(view) if as_json else say(*view_lines(view))
    return 0


def _show_suite(folder: Path, *, as_json: bool) -> int:
    from orchestrator.cli.suite_view import suite_lines, suite_view

    view = suite_view(open_suite(folder))
    say_json(view) if as_json else say(*suite_lines(view))
    return 0


def _mark(run: Path, doubt: int | None, because: str, no_doubt: int | None) -> int:
    """Write the mark into the journal of a run that is over, and its tables anew."""
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, state_of
    from orchestrator.cli.running import finish_folder
    from orchestrator.decide.events import Marked, event_to_dict

    position = doubt if doubt is not None else no_doubt
    state = state_of(run)
    if state.exit_code is None:
        raise PlanError(
            "run_going_on",
            f"{run}: the run has not ended",
            next_step=f"wait for it, or go on with it: linktrial resume {typed(run)}",
        )
    if position not in state.outcomes:
        raise PlanError("no_trial", f"{run}: has no finished trial {position}")
    if doubt is not None and not because.strip():
        raise PlanError("no_reason", "--doubt needs a reason", next_step='add for example --because "cable touched"')
    with Journal(journal_path(run)) as journal:
        journal.append("event", event_to_dict(Marked(int(position or 0), because.strip() if doubt is not None else "")))
    finish_folder(run)
    return 0
