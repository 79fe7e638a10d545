"""`linktrial run`: one plan, a folder of plans, or an earlier run again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from orchestrator.cli.access import Access, access_options, debug_option
from orchestrator.cli.if_changed import WHAT, plans_to_run, verdict
from orchestrator.cli.obeying import OBEY_HELP, require_own_plans
from orchestrator.cli.one_run import begin_run
from orchestrator.cli.plans import LoadedPlan, load_plans, means_suite
from orchestrator.faults import PlanError
from orchestrator.planning.binds import parse_binds
from orchestrator.results.suite import is_suite, open_suite
from orchestrator.words.exit_codes import Exit, most_serious

# The character \b keeps click from filling the lines that follow it.
_HELP = """Run PLANS: apply every cell's settings, measure, restore the hosts, write the report.

A folder of plans is a suite; the folder of an earlier run or suite repeats it.

With --if-changed kernel the hosts' kernels (release, build, configuration, boot parameters, rebuilt modules, driver
of the measured interfaces) are read first. The exit code is 0 when they are the reference's, without any traffic;
otherwise 1 when a cell got worse or could not be measured any more and 0 when none did, as `compare` says it. Other
codes are the run's own.

\b
linktrial run plans/kernel --if-changed kernel --reference runs/kernel-monday

Test traffic can saturate a link for everyone on it: use links that you own and that carry nothing else (RFC 6815).
"""


@click.command(help=_HELP)
@click.argument("plans", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    help="Where the run's folder is made.",
)
@click.option("--bind", multiple=True, metavar="NAME=VALUE", help="Give a $name of the plan its value.")
@click.option("--rehearse", is_flag=True, help="Stop after the rehearsal that every run begins with.")
@click.option(
    "--if-changed",
    type=click.Choice(WHAT),
    help="Run only if the hosts' kernel is not that of --reference, then compare with it.",
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    metavar="RUN",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="With --if-changed: an earlier run's or suite's folder. Several say how far runs differ.",
)
@click.option("--obey", "obeyed", multiple=True, metavar="NAME", help=OBEY_HELP)
@access_options
@debug_option
@click.option("--lab-note", hidden=True, type=click.Path(exists=True, dir_okay=False))
def command(
    plans: tuple[Path, ...],
    out: Path,
    bind: tuple[str, ...],
    ssh_config: str | None,
    rehearse: bool,
    if_changed: str | None,
    references: tuple[Path, ...],
    obeyed: tuple[str, ...],
    debug: bool,
    lab_note: str | None,
) -> int:
    """Run the plans; the help is above."""
    loaded = load_plans(plans, parse_binds(bind))
    require_own_plans(loaded, obeyed)
    access = Access(ssh_config, debug)
    lab = json.loads(Path(lab_note).read_text()) if lab_note else None
    if if_changed:
        if rehearse:
            raise PlanError("usage", "--rehearse measures nothing that --if-changed could compare: leave one out")
        return run_if_changed(loaded, plans, references, out, access, lab)
    if references:
        raise PlanError(
            "usage",
            "--reference says with what --if-changed compares",
            next_step="add --if-changed kernel, or use linktrial compare afterwards",
        )
    if len(loaded) > 1 or means_suite(plans[0]):
        from orchestrator.cli.suites import run_suite

        return run_suite(loaded, suite_name(plans), out, access, lab, rehearse=rehearse).code
    return run_plan(loaded[0], out, access, lab, rehearse=rehearse)[0]


def suite_name(plans: Sequence[Path]) -> str:
    """What the suite is called: as before when one is repeated, else after the folder that its first plan is in."""
    first = plans[0]
    if is_suite(first):
        return open_suite(first).name
    return (first if first.is_dir() else first.parent).resolve().name or "suite"


def run_if_changed(
    loaded: list[LoadedPlan],
    paths: Sequence[Path],
    references: tuple[Path, ...],
    out: Path,
    access: Access,
    lab: dict[str, Any] | None,
) -> int:
    """Run the plans whose hosts have another kernel than the reference; the exit code says whether it got worse."""
    again = plans_to_run(loaded, references, access)
    plans = [one.loaded for one in again]
    if len(plans) < 2 and not means_suite(paths[0]):
        runs = [run_plan(one, out, access, lab) for one in plans]
    else:
        runs = _as_suite(plans, suite_name(paths), out, access, lab) if plans else []
    return most_serious(*(verdict(one, code, folder) for one, (code, folder) in zip(again, runs, strict=True)))


def _as_suite(
    plans: list[LoadedPlan], name: str, out: Path, access: Access, lab: dict[str, Any] | None
) -> list[tuple[int, Path | None]]:
    from orchestrator.cli.suites import run_suite

    suite = run_suite(plans, name, out, access, lab).suite
    return [
        (entry.exit if entry.exit is not None else Exit.STOPPED_EARLY, suite.folder_of(entry))
        for entry in suite.entries
    ]


def run_plan(
    loaded: LoadedPlan, out: Path, access: Access, lab: dict[str, Any] | None, *, rehearse: bool = False
) -> tuple[int, Path | None]:
    """Run one plan; (exit code, the run's folder)."""
    from orchestrator.act.run_folder import new_run_id

    run_id = new_run_id(loaded.plan.plan)
    return begin_run(loaded, out, run_id, access, lab, rehearse=rehearse), out / run_id
