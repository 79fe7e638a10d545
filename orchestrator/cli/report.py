"""`linktrial report RUN`: write the report again, of a suite too; make it fit to publish, or give its figures away."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.say import say, typed
from orchestrator.faults import PlanError
from orchestrator.results.suite import is_suite, open_suite
from orchestrator.run_files import Folder, has_file, write_file
from orchestrator.words.exit_codes import Exit

_FILE = click.Path(path_type=Path, dir_okay=False)
_FOLDER = click.Path(path_type=Path, file_okay=False)
# The character \b keeps click from filling the lines that follow it.
_HELP = """Write the report of RUN, a run's folder or a suite's, again; no host is contacted.

\b
linktrial report runs/dome-to-hall-20260101T000000Z-4f2a
linktrial report RUN --public --out shared/dome-to-hall
linktrial report RUN --openmetrics shared/uplink.txt
"""


@click.command("report", help=_HELP, short_help="Write a run's report again.")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--out", type=_FOLDER, help="Write into this folder instead.")
@click.option(
    "--public",
    is_flag=True,
    help="Write a copy without names, addresses, users and ids: figures and our own words only.",
)
@click.option("--junit", type=_FILE, help="Also write the cells as JUnit XML.")
@click.option("--openmetrics", type=_FILE, help="Also write the cells as OpenMetrics text.")
@click.option("--parquet", type=_FOLDER, help="Also write the tables as Parquet files into this folder.")
def command(
    run: Path, out: Path | None, public: bool, junit: Path | None, openmetrics: Path | None, parquet: Path | None
) -> int:
    """Write the report of RUN, a run's folder or a suite's, again; no host is contacted."""
    if is_suite(run):
        if junit or openmetrics or parquet:
            raise PlanError(
                "usage",
                f"{run} is a suite: --junit, --openmetrics and --parquet write one run's figures",
                next_step=f"name a run's folder; linktrial show {typed(run)} lists them",
            )
        paths = _suite(run, out, public=public)
    else:
        paths = _public(run, out) if public else _again(run, out)
    for path in [*paths, *_for_other_tools(run, junit, openmetrics, parquet)]:
        say(path)
    return Exit.COMPLETE


def _suite(folder: Path, out: Path | None, *, public: bool) -> list[Path]:
    """The reports of all its runs, and the page that leads to them."""
    from orchestrator.report.suite import write_suite

    suite = open_suite(folder)
    paths: list[Path] = []
    for entry in suite.entries:
        run = suite.folder_of(entry)
        if run is None or not has_file(run / "run.json"):
            say(f"{entry.plan}: has not begun, so it has no report", err=True)
        elif public:
            paths += _public(run, None, inside=out)  # the runs' own names are not for the copy
        else:
            paths += _again(run, out / entry.run if out else None)
    return paths if public else [*paths, write_suite(folder, out)]


def _again(run: Path, out: Path | None) -> list[Path]:
    from orchestrator.report import write_report

    _bring_up_to_the_journal(run)
    return write_report(run, out)


def _bring_up_to_the_journal(run: Path) -> None:
    """Make the tables anew when the journal knows more than they do: added, marked, or never made to their end.

    columns.json is the last of the tables' files. A run whose process was killed could not say how it ended, either.
    """
    from orchestrator.act.run_folder import ends_known, has_begun, is_driven, journal_path, refresh_run_json, state_of
    from orchestrator.results.tables import write_tables

    if not has_begun(run):
        return
    state = state_of(run)
    if not is_driven(run) and (state.exit_code is not None or ends_known(run, state)[0] is None):
        refresh_run_json(run, state)
    folder = Folder(run)
    if not folder.has("trials.csv") or folder.modified_ns("columns.json") < folder.modified_ns(journal_path(run).name):
        write_tables(run)


def _public(run: Path, out: Path | None, *, inside: Path | None = None) -> list[Path]:
    from orchestrator.report.public import publish

    done, paths = publish(run, out, inside=inside)
    replaced = ", ".join(f"{kind} {number}" for kind, number in done.replaced.items())
    say(f"replaced: {replaced or 'nothing'}", err=True)
    for name in done.left_out:
        say(f"left out: {name}", err=True)
    for name in done.words_of_ours:
        say(f"replaced where it is a name, but also a word of our own texts: {name}", err=True)
    for name in done.to_read:
        say(f"read before you publish: {name}", err=True)
    return paths


def _for_other_tools(run: Path, junit: Path | None, openmetrics: Path | None, parquet: Path | None) -> list[Path]:
    paths = []
    if junit:
        from orchestrator.report import read_report
        from orchestrator.report.cases import junit as junit_text

        write_file(junit, junit_text(read_report(run)))
        paths.append(junit)
    if openmetrics:
        from orchestrator.results.openmetrics import openmetrics_text
        from orchestrator.results.read_run import read_run

        write_file(openmetrics, openmetrics_text(read_run(run)))
        paths.append(openmetrics)
    if parquet:
        from orchestrator.results.parquet import write_parquet

        paths += write_parquet(run, parquet)
    return paths
