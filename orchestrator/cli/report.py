"""`linktrial report RUN`: write a run's report again."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.exits import Exit


@click.command("report", short_help="Write a run's report again.")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write into this folder instead.")
def command(run: Path, out: Path | None) -> int:
    r"""Write the report of RUN, a run's folder, again; hosts are not contacted.

    \b
    linktrial report runs/dome-to-vault-20260101T000000Z-4f2a
    """
    from orchestrator.report import write_report  # noqa: PLC0415 - loads pandas; help must not wait for it

    for path in write_report(run, out):
        click.echo(path)
    return Exit.COMPLETE
