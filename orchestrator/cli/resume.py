"""`linktrial resume`: go on with a run or a suite, measure some trials again, or add replicates."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.access import Access, access_options, debug_option
from orchestrator.cli.obeying import OBEY_HELP
from orchestrator.cli.one_run import go_on_run
from orchestrator.results.suite import is_suite, open_suite
from orchestrator.words.statuses import NOT_VALID


@click.command()
@click.argument("run", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--again", default="", metavar="STATUS,...", help=f"Measure again what ended {', '.join(NOT_VALID)}.")
@click.option("--replicates", type=click.IntRange(min=1), help="Bring every cell to this many replicates.")
@click.option("--obey", "obeyed", multiple=True, metavar="NAME", help=OBEY_HELP)
@access_options
@debug_option
def command(
    run: Path, again: str, replicates: int | None, obeyed: tuple[str, ...], ssh_config: str | None, debug: bool
) -> int:
    """Go on with the run, or the suite, in folder RUN: same plans, schedule and seed; finished trials are kept.

    What is complete stays as it is, and the exit code is that of the whole. Plans of a suite that never began are run.
    """
    access = Access(ssh_config, debug)
    if not is_suite(run):
        return go_on_run(run, access, again, replicates, obeyed=obeyed)
    from orchestrator.cli.suites import go_on

    return go_on(open_suite(run), access, None, again=again, replicates=replicates, obeyed=obeyed).code
