"""`linktrial check`: what a plan would do, to whom, with which privilege and for how long; contacts nobody."""

from __future__ import annotations

import json
from pathlib import Path

import click

from orchestrator.cli.exits import Exit
from orchestrator.cli.plans import load_plans
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import PlanProblems, parse_binds
from orchestrator.planning.outline import duration_text, outline, render


@click.command()
@click.argument("plans", nargs=-1, required=True, metavar="PLAN...", type=click.Path(path_type=Path))
@click.option("--bind", "binds", multiple=True, metavar="NAME=VALUE", help="Put VALUE where the plan says $NAME.")
@click.option("--all", "everything", is_flag=True, help="Show the whole of a long schedule.")
@click.option("--json", "as_json", is_flag=True, help="Print data for programs.")
def command(plans: tuple[Path, ...], binds: tuple[str, ...], everything: bool, as_json: bool) -> int:
    r"""Read plans and say what they would do; no host is contacted.

    PLAN is a file, or a folder of plans (a suite).

    \b
    linktrial check plans/mtu-and-direction.yaml
    linktrial check plans/two-boards.yaml --bind board=dome.obs.example
    linktrial check plans/kernel-regression --json
    """
    try:
        found = [outline(loaded.plan, CATALOGUE) for loaded in load_plans(plans, parse_binds(binds))]
    except PlanProblems as error:
        if not as_json:
            raise
        click.echo(json.dumps({"problems": [problem.as_dict() for problem in error.problems], "plans": []}, indent=2))
        return Exit.PLAN_WRONG
    if as_json:
        click.echo(json.dumps({"problems": [], "plans": [one.as_dict() for one in found]}, indent=2))
        return Exit.COMPLETE
    click.echo("\n\n\n".join(render(one, everything=everything) for one in found))
    if len(found) > 1:
        total = duration_text(sum(one.estimate.total_s for one in found))
        click.echo(f"\n\n{len(found)} plans, {sum(len(one.trials) for one in found)} trials, about {total}.")
    click.echo("\nNo host was contacted.")
    return Exit.COMPLETE
