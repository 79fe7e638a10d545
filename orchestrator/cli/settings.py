"""`linktrial settings`: what a plan can vary, host settings and traffic factors."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from orchestrator.cli.say import say, say_json, say_text
from orchestrator.onhost.settings import CATALOGUE, FAMILIES
from orchestrator.planning.cautions import STANDING
from orchestrator.planning.traffic import TRAFFIC_FACTORS
from orchestrator.words.exit_codes import Exit

_WIDTH = 110


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print data for programs.")
@click.option("--markdown", "as_page", is_flag=True, help="Print the page plans/settings.md.")
@click.option(
    "--for",
    "keep_for",
    nargs=2,
    type=(click.Path(exists=True, file_okay=False, path_type=Path), int),
    metavar="RUN CELL",
    help="How each host keeps the levels of one cell of a run.",
)
def command(as_json: bool, as_page: bool, keep_for: tuple[Path, int] | None) -> int:
    """List the settings and traffic factors that a plan can vary; or say how to keep a cell's levels for good."""
    if keep_for is not None:
        from orchestrator.cli.keep import print_kept

        return print_kept(*keep_for, as_json=as_json)
    found = {"settings": _settings(), "traffic_factors": _traffic_factors()}
    if as_json:
        say_json(found, indent=2)
        return Exit.COMPLETE
    if as_page:
        from orchestrator.cli.settings_page import page

        say_text(page(found["settings"], found["traffic_factors"]).removesuffix("\n"))
        return Exit.COMPLETE
    say("Settings: what changes a host", "")
    say_text("\n".join(line for entry in found["settings"] for line in _shown(entry)))
    say("", "Cautions", "")
    for text in STANDING:
        say(*textwrap.wrap(text, _WIDTH, initial_indent="    ", subsequent_indent="      "))
    say("", "Traffic factors: what changes the traffic", "")
    say_text("\n".join(line for entry in found["traffic_factors"] for line in _shown(entry)))
    return Exit.COMPLETE


def _settings() -> list[dict[str, Any]]:
    """The catalogue's metadata."""
    return [
        {
            "name": name, "unit": info.unit, "domain": info.domain_text, "scope": info.scope,
            "privilege": info.privilege, "survives_reboot": info.survives_reboot, "costly": info.costly,
            "restarts": info.restarts(None), "example": info.example, "doc": info.doc,
        }
        for name, info in {**CATALOGUE, **{each.called: CATALOGUE[each.example] for each in FAMILIES}}.items()
    ]  # fmt: skip


def _traffic_factors() -> list[dict[str, Any]]:
    """The traffic factors' metadata."""
    return [
        {"name": factor.name, "unit": factor.unit, "domain": factor.domain_text, "transport": factor.transport,
         "example": factor.example, "doc": factor.doc}
        for factor in TRAFFIC_FACTORS.values()
    ]  # fmt: skip


def _shown(entry: Mapping[str, Any]) -> Iterator[str]:
    """One setting or traffic factor in a few lines."""
    marks = []
    if "scope" in entry:
        marks = [
            "of an interface" if entry["scope"] == "interface" else "of the whole host",
            "needs root" if entry["privilege"] == "root" else "needs no privilege",
            *(
                ["each level for one restart of the host"]
                if entry["restarts"]
                else [
                    "may survive a reboot" if entry["survives_reboot"] else "gone after a reboot",
                    *(["a change takes seconds"] if entry["costly"] else []),
                ]
            ),
        ]
    elif entry["transport"]:
        marks = [f"{entry['transport'].upper()} only"]
    yield f"{entry['name']}" + (f"  ({', '.join(marks)})" if marks else "")
    unit = f", in {entry['unit']}" if entry["unit"] else ""
    for text in (entry["doc"], f"levels: {entry['domain']}{unit}", f"example: {entry['example']}"):
        yield from textwrap.wrap(text, _WIDTH, initial_indent="    ", subsequent_indent="      ")
