"""`linktrial check`: what a plan would do, to whom, with which privilege and for how long; contacts nobody."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.act.latest import latest_s
from orchestrator.cli.plans import load_plans
from orchestrator.cli.say import say, say_json, say_text
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import PlanProblems, parse_binds
from orchestrator.planning.order import replicate_range
from orchestrator.planning.outline import Outline, duration_text, outline, render
from orchestrator.words.exit_codes import Exit
from orchestrator.words.figures import THIN, share_text

if TYPE_CHECKING:
    from orchestrator.results.statistics.resolution import Noise, Resolution

RUNS = Path("runs")  # where `run` puts them
# The character \b keeps click from filling the lines that follow it.
_HELP = """Read plans and say what they would do; no host is contacted.

PLAN is a file, or a folder of plans (a suite).

\b
linktrial check plans/mtu-and-direction.yaml
linktrial check plans/two-boards.yaml --bind board=dome.obs.example
linktrial check plans/kernel-regression --json
"""


@click.command(help=_HELP)
@click.argument("plans", nargs=-1, required=True, metavar="PLAN...", type=click.Path(path_type=Path))
@click.option("--bind", "binds", multiple=True, metavar="NAME=VALUE", help="Put VALUE where the plan says $NAME.")
@click.option("--all", "everything", is_flag=True, help="Show the whole of a long schedule.")
@click.option(
    "--noise",
    "noise_run",
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="An earlier run whose spread says what the replicates can resolve; by default the plan's newest in runs/.",
)
@click.option("--json", "as_json", is_flag=True, help="Print data for programs.")
def command(
    plans: tuple[Path, ...], binds: tuple[str, ...], everything: bool, noise_run: Path | None, as_json: bool
) -> int:
    """Read plans and say what they would do; no host is contacted."""
    try:
        found = [outline(loaded.plan, CATALOGUE) for loaded in load_plans(plans, parse_binds(binds))]
    except PlanProblems as error:
        if not as_json:
            raise
        say_json({"problems": [problem.as_dict() for problem in error.problems], "plans": []}, indent=2)
        return Exit.PLAN_WRONG
    if as_json:
        say_json(
            {
                "problems": [],
                "plans": [
                    {
                        **one.as_dict(),
                        "noise": _noise_as_dict(one, noise_run),
                        "restored_at_the_latest_s": _latest_s(one),
                    }
                    for one in found
                ],
            },
            indent=2,
        )
        return Exit.COMPLETE
    say_text(
        "\n\n\n".join(
            render(
                one,
                everything=everything,
                noise=_noise_text(one, noise_run).replace(THIN, " "),
                latest_s=_latest_s(one),
            )
            for one in found
        )
    )
    if len(found) > 1:
        total = duration_text(sum(one.estimate.total_s for one in found))
        say("", "", f"{len(found)} plans, {sum(len(one.trials) for one in found)} trials, about {total}.")
    say("", "No host was contacted.")
    return Exit.COMPLETE


def _latest_s(found: Outline) -> dict[str, float]:
    """Host -> seconds after our last word by which it has restored itself at the latest."""
    return {host.host: latest_s(found.plan.lease_s, len(host.settings)) for host in found.hosts}


def _noise(found: Outline, noise_run: Path | None) -> tuple[Noise, Resolution | None] | None:
    """The last known noise and what the plan's replicates resolve at it."""
    from orchestrator.results.statistics.resolution import latest_noise, noise_of, resolution

    noise = noise_of(noise_run) if noise_run is not None else latest_noise(RUNS, found.plan.plan)
    if noise is None:
        return None
    return noise, resolution(noise.ratio, replicate_range(found.plan)[0], len(found.cells))


def _noise_as_dict(found: Outline, noise_run: Path | None) -> dict[str, Any] | None:
    known = _noise(found, noise_run)
    if known is None:
        return None
    return {**asdict(known[0]), "resolution": asdict(known[1]) if known[1] else None}


def _noise_text(found: Outline, noise_run: Path | None) -> str:
    known = _noise(found, noise_run)
    if known is None:
        where = (
            f"{noise_run} has no cell with three valid trials"
            if noise_run is not None
            else f"no earlier run of this plan in {RUNS}/ (--noise RUN names one)"
        )
        return f"unknown: {where}. What {replicate_range(found.plan)[0]} replicates can resolve is not known yet"
    noise, resolved = known
    begin = f"{share_text(noise.ratio)} between replicates in {noise.run} (median of {noise.cells} figures)"
    if resolved is None:
        return f"{begin}; one replicate has no interval"
    width, alone, family = (
        share_text(ratio) for ratio in (resolved.half_width_ratio, resolved.alone_ratio, resolved.family_ratio)
    )
    together = f", and of {family} with all {len(found.cells)} cells compared at once" if len(found.cells) > 1 else ""
    return (
        f"{begin}: with {replicate_range(found.plan)[0]} replicates a mean is known to ±{width}; between two such "
        f"runs a change of {alone} in one cell is found nine times in ten{together}. What changes from run to run "
        "comes on top"
    )
