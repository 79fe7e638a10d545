"""`linktrial report RUN`: write a run's report again, make it fit to publish, hand its figures to other tools."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.exits import Exit

_FILE = click.Path(path_type=Path, dir_okay=False)
_FOLDER = click.Path(path_type=Path, file_okay=False)
# The character \b keeps click from filling the lines that follow it.
_HELP = """Write the report of RUN, a run's folder or a suite's, again; no host is contacted.

\b
linktrial report runs/dome-to-vault-20260101T000000Z-4f2a
linktrial report RUN --public --out shared/dome-to-vault
linktrial report RUN --openmetrics linktrial.prom
"""


@click.command("report", help=_HELP, short_help="Write a run's report again.")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--out", type=_FOLDER, help="Write into this folder instead.")
@click.option("--public", is_flag=True, help="Write a copy without names, addresses, MACs, serials and users.")
@click.option("--junit", type=_FILE, help="Also write the cells as JUnit XML.")
@click.option("--openmetrics", type=_FILE, help="Also write the cells as OpenMetrics text.")
@click.option("--parquet", type=_FOLDER, help="Also write the tables as Parquet files into this folder.")
def command(run: Path, out: Path | None, public: bool, junit: Path | None, openmetrics: Path | None,
            parquet: Path | None) -> int:
    """Write the report of RUN, a run's folder or a suite's, again; no host is contacted."""
    from orchestrator.report.suite import is_suite

    if is_suite(run):
        return _suite(run)
    paths = _public(run, out) if public else _again(run, out)
    for path in [*paths, *_for_other_tools(run, junit, openmetrics, parquet)]:
        click.echo(path)
    return Exit.COMPLETE


def _suite(folder: Path) -> int:
    """The combined page; the reports of its runs are written on their own."""
    from orchestrator.report.suite import write_suite

    click.echo(write_suite(folder))
    return Exit.COMPLETE


def _again(run: Path, out: Path | None) -> list[Path]:
    from orchestrator.report import write_report

    _tables_from_journal(run)
    return write_report(run, out)


def _tables_from_journal(run: Path) -> None:
    """Make the tables anew when the journal knows more than they do: a trial was added, or marked by hand."""
    from orchestrator.results.tables import write_tables

    journal, trials = run / "journal.jsonl", run / "trials.csv"
    if journal.is_file() and (not trials.exists() or trials.stat().st_mtime < journal.stat().st_mtime):
        write_tables(run)


def _public(run: Path, out: Path | None) -> list[Path]:
    from orchestrator.report.public import publish

    done, paths = publish(run, out)
    replaced = ", ".join(f"{kind} {number}" for kind, number in done.replaced.items())
    click.echo(f"replaced: {replaced or 'nothing'}", err=True)
    for name in done.left_out:
        click.echo(f"left out: {name}", err=True)
    for name in done.kept:
        click.echo(f"not replaced, because it is a word of the tables: {name}", err=True)
    for name in done.to_read:
        click.echo(f"read before you publish, no program can judge it: {name}", err=True)
    return paths


def _for_other_tools(run: Path, junit: Path | None, openmetrics: Path | None, parquet: Path | None) -> list[Path]:
    from orchestrator.results.write import write_whole

    paths = []
    if junit:
        from orchestrator.report import read_report
        from orchestrator.report.cases import junit as junit_text

        write_whole(junit, junit_text(read_report(run)))
        paths.append(junit)
    if openmetrics:
        from orchestrator.results.openmetrics import openmetrics_text
        from orchestrator.results.read_run import read_run

        write_whole(openmetrics, openmetrics_text(read_run(run)))
        paths.append(openmetrics)
    if parquet:
        from orchestrator.results.parquet import write_parquet

        paths += write_parquet(run, parquet)
    return paths
