"""`linktrial resume`: go on with a run, measure some trials again, or add replicates to it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from orchestrator.cli.access import Access, access_options
from orchestrator.cli.plans import LoadedPlan, load_plans
from orchestrator.cli.running import drive
from orchestrator.decide.state import RunState
from orchestrator.faults import PlanError

STATUSES = ("suspect", "failed", "impossible", "skipped")


@click.command()
@click.argument("run", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--again", default="", metavar="STATUS,...", help=f"Measure again what ended {', '.join(STATUSES)}.")
@click.option("--replicates", type=click.IntRange(min=1), help="Bring every cell to this many replicates.")
@access_options
def command(run: Path, again: str, replicates: int | None, ssh_config: str | None) -> int:
    """Go on with the run in folder RUN: same plan, schedule and seed; finished trials are kept."""
    from orchestrator.act.run_folder import state_of
    from orchestrator.decide.events import Resumed

    loaded = load_plans([run], {})[0]
    state = state_of(run)
    added = _added(loaded, state, replicates) if replicates else []
    positions = _positions(state, again)
    if not added and not positions and nothing_is_left(state):
        click.echo(f"{run}: every trial has its outcome; nothing is left to do (see --again, --replicates)")
        return 0
    return drive(state, loaded, run, Access(ssh_config), Resumed(positions, added))


def nothing_is_left(state: RunState) -> bool:
    """No trial to measure, and no host to put back or to let go: a run can die between its last trial and its end."""
    return not state.next_position() and not any(host.token or not host.as_found for host in state.hosts.values())


def _positions(state: RunState, again: str) -> list[int]:
    wanted = [word.strip() for word in again.split(",") if word.strip()]
    unknown = sorted(set(wanted) - set(STATUSES))
    if unknown:
        raise PlanError("again", f"--again {', '.join(unknown)}: not a status that can be measured again",
                        next_step=f"name some of {', '.join(STATUSES)}")
    return [position for position, outcome in state.outcomes.items()
            if outcome["status"] in wanted or ("suspect" in wanted and position in state.marks)]


def _added(loaded: LoadedPlan, state: RunState, replicates: int) -> list[dict[str, Any]]:
    """The trials that a schedule with more replicates has beyond the present one."""
    from orchestrator.planning import schedule

    have = max(trial.replicate for trial in state.schedule)
    more = [trial for trial in schedule(loaded.plan, state.setup.cells, replicates=replicates)
            if trial.replicate > have]
    last = max(trial.position for trial in state.schedule)
    return [{**asdict(trial), "position": last + number} for number, trial in enumerate(more, 1)]
