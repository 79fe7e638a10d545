"""The one door to the terminal: whatever a command says goes through here, line by line, and is made visible.

A text may be a host's, a server's whose key nobody has verified, a stranger's folder's, a library's. Nothing in it
moves a cursor, begins a line of its own or turns one round. What is JSON is escaped by its own rules.
"""

from __future__ import annotations

import json
import logging
import math
import shlex
import traceback
import warnings
from collections.abc import Iterable
from typing import Any, TextIO

import click

from orchestrator.words.plain_text import visible

_LONGEST_LINE = 20_000  # a host's word may be any length; nobody reads on for so long


def say(*lines: Any, err: bool = False) -> None:
    """Each argument as one line on standard output (`err`: standard error)."""
    for line in lines:
        text = visible(line)
        click.echo(text if len(text) <= _LONGEST_LINE else f"{text[:_LONGEST_LINE]}… ({len(text)} characters)", err=err)


def say_text(text: str, *, err: bool = False) -> None:
    """A text of several lines, which are the text's own: only what we have put together ourselves."""
    say(*text.split("\n"), err=err)


def typed(path: object) -> str:
    """A path or name as a shell takes it back, for a line that a person is to type."""
    return shlex.quote(str(path))


def say_json(value: Any, indent: int | None = 1) -> None:
    """Data for programs: ASCII, so that no escape in it reaches a terminal, and never a number that JSON has not."""
    try:
        text = json.dumps(value, indent=indent, allow_nan=False)
    except ValueError:  # what is infinite or no number stands as null
        text = json.dumps(_finite(json.loads(json.dumps(value))), indent=indent)
    click.echo(text.replace("\x7f", "\\u007f"))  # the one control character that JSON leaves as it is


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_finite(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def say_usage(error: click.ClickException) -> None:
    """What is wrong with the command line, in the command's own words."""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        say_text(error.ctx.get_usage(), err=True)
        say(f"Try '{error.ctx.command_path} --help' for help.", "", err=True)
    say(f"Error: {error.format_message()}", err=True)


def trace_lines(error: BaseException) -> Iterable[str]:
    """The traceback of an error, each line visible: exceptions quote whatever they were raised for."""
    return map(visible, "".join(traceback.format_exception(error)).splitlines())


def write_visible(stream: TextIO, text: Any) -> None:
    """One line to a stream of the caller's own, as a log or a terminal that is watched for its end."""
    stream.write(visible(text) + "\n")
    stream.flush()


class _Said(logging.Handler):
    """Libraries' own messages: one visible line each, without a traceback."""

    def emit(self, record: logging.LogRecord) -> None:
        """Say it."""
        try:
            say(f"linktrial: {record.name}: {record.getMessage()}", err=True)
        except (OSError, ValueError, TypeError):
            return


def listen_to_libraries() -> None:
    """From now on warnings and log messages of libraries go through this door as well."""
    handler = _Said(logging.ERROR)
    logging.getLogger().handlers[:] = [handler]
    logging.getLogger("asyncssh").setLevel(logging.CRITICAL)  # whatever it notices is raised, too

    def warn(message: Warning | str, category: type[Warning], *_: Any, **__: Any) -> None:
        say(f"linktrial: {category.__name__}: {message}", err=True)

    warnings.showwarning = warn
