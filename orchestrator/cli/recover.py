"""`linktrial recover`: put back what an interrupted run left on its hosts, and say so."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli.access import Access, access_options, opener
from orchestrator.cli.exits import Exit, most_serious
from orchestrator.cli.plans import LoadedPlan, load_plans
from orchestrator.cli.progress import stays_text
from orchestrator.planning.binds import parse_binds

if TYPE_CHECKING:
    from orchestrator.act.recovering import Recovered


@click.command()
@click.argument("what", type=click.Path(path_type=Path, exists=True))
@click.option("--bind", multiple=True, metavar="NAME=VALUE", help="Give a $name of the plan its value.")
@access_options
def command(what: Path, bind: tuple[str, ...], ssh_config: str | None) -> int:
    """Put back what a run left behind. WHAT is a run's folder, or its plan when the folder is lost.

    Harmless to repeat. Exit 0: every host verified as found; 5: something stays, with the command that mends it.
    """
    loaded = load_plans([what], parse_binds(bind))[0]
    return recover(loaded, what if what.is_dir() else None, Access(ssh_config))


def recover(loaded: LoadedPlan, folder: Path | None, access: Access) -> int:
    """Recover every host of a plan; with a run's folder, from its journal too, and finish the folder."""
    from orchestrator.act.journal import undriven
    from orchestrator.act.recovering import Recovered, recover_host
    from orchestrator.act.run_folder import changed_places, journal_path, state_of
    from orchestrator.faults import HostError

    state = state_of(folder) if folder else None
    run_id = state.setup.run_id if state else ""

    async def one(name: str) -> Recovered | HostError:
        try:
            return await recover_host(name, opener(loaded.plan, access), run_id,
                                      changed_places(state, name) if state else [])
        except HostError as error:
            return error

    async def everyone() -> list[Recovered | HostError]:
        return await asyncio.gather(*(one(name) for name in loaded.plan.hosts))

    with undriven(journal_path(folder)) if folder else contextlib.nullcontext():
        results = dict(zip(loaded.plan.hosts, asyncio.run(everyone()), strict=True))
    codes = []
    for name, result in results.items():
        if isinstance(result, HostError):
            unsure = state is not None and state.hosts[name].changed and not state.hosts[name].as_found
            codes.append(Exit.NOT_AS_FOUND if unsure else Exit.REFUSED)
            click.echo(f"{name}: {result.message}" + (f" - {result.next_step}" if result.next_step else ""), err=True)
        else:
            codes.append(Exit.COMPLETE if result.as_found else Exit.NOT_AS_FOUND)
            click.echo(_told(result))
    if folder is not None and state is not None:
        try:
            _note(folder, {name: found for name, found in results.items() if isinstance(found, Recovered)})
        except (HostError, OSError) as error:  # a full disk: what the hosts are is known and told all the same
            click.echo(f"{folder}: what was put back could not be noted there: {error}", err=True)
    return most_serious(*codes)


def _told(found: Recovered) -> str:
    if found.source == "nothing":
        return f"{found.host}: as found; nothing of the run was left"
    head = f"{found.host}: put back from the {'host' if found.source == 'record' else 'journal'}'s record"
    if found.as_found:
        again = ", and restarted, so that it runs as before" if found.restarted else ""
        return f"{head}, verified as found{again}"
    return "\n".join([f"{found.host}: NOT as found", *map(stays_text, [*found.left, *found.conflicts])])


def _note(folder: Path, results: Mapping[str, Recovered]) -> None:
    """Write what was recovered into the journal, and the folder's tables from what was measured."""
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, refresh_run_json, state_of
    from orchestrator.cli.running import finish_folder
    from orchestrator.decide.events import Released, Restored, event_to_dict

    with Journal(journal_path(folder)) as journal:
        if journal.cut:
            click.echo(f"the journal's tail was torn (line {journal.cut.line}: {journal.cut.why}) and was cut off")
        for name, found in results.items():
            journal.append("event", event_to_dict(Restored(name, found.as_result())))
            if found.as_found:
                journal.append("event", event_to_dict(Released(name)))
    state = state_of(folder)
    refresh_run_json(folder, state)
    if any(position > 0 for position in state.outcomes):
        finish_folder(folder)
