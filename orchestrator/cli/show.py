"""`linktrial show`: how far a run has come, from another terminal; and trials called doubtful by a person."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import click

from orchestrator.faults import PlanError

LAST_LINES = 5


@click.command()
@click.argument("run", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--json", "as_json", is_flag=True, help="For programs.")
@click.option("--doubt", type=int, metavar="TRIAL", help="Call a trial doubtful; needs --because.")
@click.option("--because", default="", help="Why the trial is doubtful, for example: the cable was touched.")
@click.option("--no-doubt", type=int, metavar="TRIAL", help="Take the doubt back.")
def command(run: Path, as_json: bool, doubt: int | None, because: str, no_doubt: int | None) -> int:
    """Say how far the run in folder RUN has come. Reads its journal only; a run going on is not disturbed."""
    if doubt is not None or no_doubt is not None:
        return _mark(run, doubt, because, no_doubt)
    view = _view(run)
    if as_json:
        click.echo(json.dumps(view, indent=1))
        return 0
    click.echo(f"{view['run_id']}: {view['standing']}; {view['finished']} of {view['trials']} trials have an outcome")
    if view["statuses"]:
        click.echo("  " + ", ".join(f"{count} {status}" for status, count in view["statuses"].items()))
    if view["now"]:
        click.echo(f"  now: {view['now']}")
    for name, host in view["hosts"].items():
        click.echo(f"  {name}: {host}")
    for line in view["log"]:
        click.echo(f"  | {line}")
    return 0


def _view(run: Path) -> dict[str, Any]:
    from orchestrator.act.run_folder import state_of

    state = state_of(run)
    log = run / "log.txt"
    asked = [outcome["status"] for position, outcome in state.outcomes.items() if position > 0]  # not the rehearsal's
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()[-LAST_LINES:] if log.is_file() else []
    at = state.setup.cell(state.trial(state.position).cell).key if state.position else ""
    return {
        "run_id": state.setup.run_id, "exit": state.exit_code,
        "standing": "going on, or broken off" if state.exit_code is None else f"ended with exit code {state.exit_code}",
        "trials": sum(trial.role != "rehearse" for trial in state.schedule),
        "finished": len(asked), "statuses": dict(Counter(asked)), "now": at,
        "hosts": {name: _host_words(host) for name, host in state.hosts.items()}, "log": lines}


def _host_words(host: Any) -> str:
    if host.fault:
        return str(host.fault.get("message", "out of reach"))
    if host.token:
        changed = ", ".join(f"{place} = {level}" for place, level in host.levels.items())
        return f"held by this run; {changed or 'as found'}"
    return "as found" if host.as_found else "changed, and not yet seen to be as found"


def _mark(run: Path, doubt: int | None, because: str, no_doubt: int | None) -> int:
    """Write the mark into the journal of a run that is over, and its tables anew."""
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, state_of
    from orchestrator.cli.running import finish_folder
    from orchestrator.decide.events import Marked, event_to_dict

    position = doubt if doubt is not None else no_doubt
    state = state_of(run)
    if state.exit_code is None:
        raise PlanError("run_going_on", f"{run}: the run has not ended", next_step="wait for it, or: linktrial recover")
    if position not in state.outcomes:
        raise PlanError("no_trial", f"{run}: has no finished trial {position}")
    if doubt is not None and not because.strip():
        raise PlanError("no_reason", "--doubt needs a reason", next_step='add for example --because "cable touched"')
    with Journal(journal_path(run)) as journal:
        journal.append("event", event_to_dict(Marked(int(position or 0), because.strip() if doubt is not None else "")))
    finish_folder(run)
    return 0
