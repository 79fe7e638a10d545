"""The system's own programs, whose output is read: in the C locale, in UTC, never for long."""

from __future__ import annotations

import subprocess
from typing import List, NamedTuple

_ENVIRONMENT = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C", "TZ": "UTC0"}
TIMEOUT_S = 15.0  # a driver that changes its MTU may take seconds


class Said(NamedTuple):
    """How a program ended (negative: the signal that ended it), what it printed and what it complained of."""

    status: int
    octets: bytes
    complaint: str


def run(arguments: List[str]) -> Said:
    """Run it to its end. Raises OSError when there is no such program, or it takes too long."""
    try:
        done = subprocess.run(
            arguments,
            env=_ENVIRONMENT,
            cwd="/",
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            timeout=TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise TimeoutError(f"{arguments[0]} had not ended after {TIMEOUT_S:g} s") from error
    return Said(done.returncode, done.stdout, done.stderr.decode("utf-8", "replace"))


def octets_of(arguments: List[str]) -> bytes:
    """What it prints; nothing when it fails or is not there."""
    try:
        said = run(arguments)
    except OSError:
        return b""
    return said.octets if said.status == 0 else b""


def output_of(arguments: List[str]) -> str:
    """The same as text."""
    return octets_of(arguments).decode("utf-8", "replace")
