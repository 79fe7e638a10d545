"""`linktrial schema`: the plan file's JSON schema, for editors."""

from __future__ import annotations

import click

from orchestrator.cli.say import say_json
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning.schema import plan_schema
from orchestrator.words.exit_codes import Exit

# The character \b keeps click from filling the lines that follow it.
_HELP = """Print the JSON schema of plan files.

An editor with a YAML language server completes and underlines plans whose first line names it:

\b
linktrial schema > plan.schema.json
# yaml-language-server: $schema=plan.schema.json
"""


@click.command(help=_HELP)
def command() -> int:
    """Print the JSON schema of plan files."""
    say_json(plan_schema(CATALOGUE))
    return Exit.COMPLETE
