"""The command `linktrial`: finds each command's file only when it is asked for, so that starting is quick."""

from __future__ import annotations

import errno
import importlib
import os
import sys

import click

from orchestrator import __version__
from orchestrator.faults import BugError, PlanError, as_fault
from orchestrator.words.exit_codes import Exit, exit_of

# One command, one file: orchestrator/cli/<name>.py defines `command`.
COMMANDS = {
    "demo": "The main job on two hosts made on this machine; needs no hardware.",
    "check": "Read a plan and say what it would do; contacts nobody.",
    "survey": "Read hosts and links without changing anything, and say what is wrong.",
    "run": "Run a plan, restore the hosts, write the report.",
    "resume": "Go on with an interrupted run.",
    "recover": "Restore what an interrupted run left behind.",
    "report": "Write a run's report again.",
    "compare": "Say what differs between runs, and how sure that is.",
    "show": "Look at a run from another terminal.",
    "explain": "Say what a word, a code or a column means, and what to do about it.",
    "settings": "List the settings a plan can vary.",
    "schema": "Print the plan file's JSON schema.",
    "trust": "Show a host's key and record it when confirmed.",
}


_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT})
_REFUSALS = _NO_ROOM | {errno.EACCES, errno.EPERM, errno.EROFS}


class LazyCommands(click.Group):
    """Loads a command's module when it is called, not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click calls it with a context
        """The commands in the order of use."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - as above
        """The command's own file, imported now."""
        if cmd_name not in COMMANDS:
            return None
        from orchestrator.cli.say import listen_to_libraries

        listen_to_libraries()
        module = importlib.import_module(f"orchestrator.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


_HELP = """Run a plan of network trials between hosts over SSH, and restore the hosts as they were found.

\b
linktrial demo                 see the whole job on this machine
linktrial check plan.yaml      what would be done, to whom, for how long
linktrial run plan.yaml        do it
"""


@click.group(cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]}, help=_HELP)
@click.version_option(__version__, prog_name="linktrial")
def cli() -> None:
    """Find the command; each has a file of its own."""


def _let_go_of_a_dead_terminal() -> None:
    """What is still to be written and cannot be must not change the exit code."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _told(error: BaseException) -> Exit:
    """Say what went wrong, in words; the exit code. Whatever nobody raised on purpose is our own fault."""
    from orchestrator.cli.own_fault import say_fault, say_own_fault  # most commands need none of it
    from orchestrator.cli.say import say, say_usage

    if isinstance(error, click.ClickException):
        say_usage(error)
        return Exit.PLAN_WRONG
    if isinstance(error, click.Abort | KeyboardInterrupt):
        say("linktrial: interrupted", err=True)
        return Exit.INTERRUPTED
    if not isinstance(error, Exception):
        raise error
    fault = _refused_by_this_machine(error) or as_fault(error)
    if isinstance(fault, BugError):
        say_own_fault(error)
    else:
        say_fault(fault)
    return exit_of(fault)


def _refused_by_this_machine(error: Exception) -> PlanError | None:
    """What to say of a file that this user may not read or write, or that there is no room for; None of other errors.

    What becomes of a run under way is not decided here: whatever its files do, it ends in order by itself.
    """
    if not isinstance(error, OSError) or error.errno not in _REFUSALS or not isinstance(error.filename, str):
        return None
    return PlanError(
        "refused_by_this_machine",
        f"{error.filename}: {error.strerror}",
        next_step="make room there" if error.errno in _NO_ROOM else "see that you may read and write it",
    )


def main() -> None:
    """Run the command and turn an error into its exit code."""
    try:
        code = cli(standalone_mode=False)
    except BaseException as error:  # whatever it is, it ends in a sentence and in a code
        code = _told(error)
    _let_go_of_a_dead_terminal()
    sys.exit(int(code) if isinstance(code, int) else 0)
