"""`linktrial survey`: read hosts and links, change nothing, and say what is wrong, worst first."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli.access import CONNECT_TIMEOUT_S, Access, access_options, opener
from orchestrator.cli.own_fault import say_fault, say_own_fault
from orchestrator.cli.say import say, say_json
from orchestrator.cli.survey_text import survey_lines
from orchestrator.decide.version_1 import in_todays_names
from orchestrator.faults import BugError, Fault, HostError, PlanError
from orchestrator.planning.binds import parse_binds
from orchestrator.run_files import read_file
from orchestrator.stored import loads, made_of
from orchestrator.words.exit_codes import Exit

if TYPE_CHECKING:
    from orchestrator.act.surveying import Surveyed
    from orchestrator.decide.findings import Finding, LinkNeed
    from orchestrator.decide.setup import LinkSetup, RunSetup


@click.command()
@click.argument("what", nargs=-1, required=True)
@click.option("--bind", multiple=True, metavar="NAME=VALUE", help="Give a $name of the plan its value.")
@click.option("--json", "as_json", is_flag=True, help="Print data for programs.")
@click.option(
    "--against",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="An earlier survey (--json) or a run's survey-before.json: say what has changed since.",
)
@access_options
def command(
    what: tuple[str, ...], bind: tuple[str, ...], as_json: bool, against: Path | None, ssh_config: str | None
) -> int:
    """Survey WHAT: a plan file, or hosts by any name that your SSH configuration knows. Nothing is changed.

    With a plan the links' paths are proven too, with a few frames of the present size; and, as root, their wiring:
    three small broadcast frames from each end say which interface of which host it is wired to. The exit code is 1 when
    something would stop the plan, 3 when a host could not be reached.
    """
    from orchestrator.decide.findings import ceilings, findings, survey_changes, wiring_findings

    access = Access(ssh_config)
    surveyed, needs = _survey_plan(what, bind, access) if _is_plan(what) else (_survey_named(what, access), [])
    found = [*findings(surveyed.surveys, needs), *wiring_findings(surveyed.wires, needs), *_path_findings(surveyed)]
    changes: list[str] = []
    if against:
        with made_of(against):
            changes = survey_changes(_earlier(against), surveyed.surveys)
    rows = ceilings(surveyed.surveys, needs)
    if as_json:
        say_json(
            {
                "hosts": surveyed.surveys,
                "findings": [each.as_dict() for each in found],
                "ceilings": [row.as_dict() for row in rows],
                "paths": surveyed.paths,
                "wiring": [[":".join(end) for end in (wire.caller, wire.hearer)] for wire in surveyed.wires],
                "changes": changes,
                "faults": {name: fault.as_dict() for name, fault in _all_faults(surveyed).items()},
            }
        )
    else:
        say(*survey_lines(surveyed, found, rows, changes if against else None))
    for name, fault in _all_faults(surveyed).items():
        if isinstance(fault, BugError):
            say_own_fault(fault, name)
        else:
            say_fault(fault, name)
    if any(isinstance(fault, BugError) for fault in _all_faults(surveyed).values()):
        return Exit.OUR_FAULT
    if surveyed.faults:
        return Exit.REFUSED
    return Exit.SOME_NOT_VALID if any(each.severity == "stops" for each in found) else Exit.COMPLETE


def _is_plan(what: tuple[str, ...]) -> bool:
    """A single argument that is a file is a plan; a host may be called anything else."""
    if len(what) == 1:
        path = Path(what[0])
        if path.suffix in (".yaml", ".yml") and not path.exists():
            raise PlanError("plan_missing", f"{path}: no such file")
        return path.exists()
    return False


def _survey_named(names: tuple[str, ...], access: Access) -> Surveyed:
    """Hosts as the SSH configuration knows them, without privilege."""
    from orchestrator.act.session import HostAddress, HostSession, connect
    from orchestrator.act.surveying import survey_hosts

    async def open_session(name: str) -> HostSession:
        return await connect(
            HostAddress(name, name, privilege="none"), ssh_config=access.ssh_config, timeout_s=CONNECT_TIMEOUT_S
        )

    return asyncio.run(survey_hosts(list(dict.fromkeys(names)), open_session))


def _survey_plan(what: tuple[str, ...], bind: tuple[str, ...], access: Access) -> tuple[Surveyed, list[LinkNeed]]:
    """The plan's hosts with the plan's privilege, the paths of its links, and what the plan needs of them."""
    from orchestrator.act.surveying import survey_hosts
    from orchestrator.cli.plans import load_plans
    from orchestrator.decide.compose import compose

    loaded = load_plans([Path(what[0])], parse_binds(bind))
    plan = loaded[0].plan
    setup = compose(plan, run_id="", holder="")
    surveyed = asyncio.run(survey_hosts(list(plan.hosts), opener(plan, access), setup.links))
    return surveyed, [need for link in setup.links for need in _needs(setup, link, surveyed)]


def _needs(setup: RunSetup, link: LinkSetup, surveyed: Surveyed) -> Iterator[LinkNeed]:
    """What the plan asks of a link whose ends were both found; one that was not is told as a fault already."""
    from orchestrator.decide.findings import LinkNeed
    from orchestrator.decide.links.ends import interface_of

    try:
        ends = [
            (host, interface_of(selector, surveyed.surveys[host], host))
            for host, selector in link.ends
            if host in surveyed.surveys
        ]
    except HostError as fault:
        surveyed.link_faults[link.name] = fault
        return
    mtus = {
        int(str(use.level))
        for cell in setup.cells
        if link.name in cell.links
        for use in cell.settings
        if use.setting == "mtu"
    }
    if len(ends) == 2:
        yield LinkNeed(link.name, (ends[0], ends[1]), link.rate_bit_s, tuple(sorted(mtus)), tuple(link.ports))


def _path_findings(surveyed: Surveyed) -> list[Finding]:
    """A path that does not carry the frames which both ends are set to."""
    from orchestrator.decide.findings import Finding

    return [
        Finding(
            "path",
            "stops",
            "",
            name,
            path["sentence"],
            "a trial with frames of this size would stall, whatever the cards can do",
            "look at the switch ports and everything else between the ends",
        )
        for name, path in surveyed.paths.items()
        if path["verdict"] != "open"
    ]


def _all_faults(surveyed: Surveyed) -> dict[str, Fault]:
    """By what they concern. That the wiring could not be looked at is said in its place, unless we are at fault."""
    wiring = {"the wiring": surveyed.wiring_fault} if isinstance(surveyed.wiring_fault, BugError) else {}
    return {**surveyed.faults, **surveyed.link_faults, **wiring}


def _earlier(path: Path) -> dict[str, Any]:
    """The surveys in a file: those of `--json`, or of a run's folder."""
    try:
        found = loads(read_file(path).decode(errors="replace"))
    except ValueError as error:
        raise PlanError("survey_file", f"{path}: is not a survey: {error}") from error
    if not isinstance(found, dict):
        raise PlanError("survey_file", f"{path}: is not a survey")
    surveys = found.get("hosts", found)
    return {name: in_todays_names(survey) for name, survey in surveys.items() if isinstance(survey, dict)}
