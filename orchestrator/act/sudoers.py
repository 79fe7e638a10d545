"""The sudoers line that lets a user start exactly this version of the helper as root, and nothing else."""

from __future__ import annotations

import re

from orchestrator.act.bundle import helper_bundle

# sudoers(5): these have a meaning inside a command's arguments and are taken literally after a backslash. Wildcards
# among them would otherwise match any text, also spaces and slashes.
_SPECIAL = re.compile(r"([,:=\\#*?\[\]])")
_USER = re.compile(r"[a-z_][a-z0-9_.-]{0,31}\$?")
PYTHON = "/usr/bin/python3"


def sudoers_line(user: str, python: str = PYTHON) -> str:
    """One line for a file in /etc/sudoers.d; ValueError when `user` cannot be an account's name.

    The command holds the SHA-256 of the code that it runs: another version of linktrial needs another line. The
    helper it starts is root, and does what its closed table of messages allows, a plan's own commands among them.
    """
    if not _USER.fullmatch(user):
        raise ValueError(f"{user!r} cannot be the name of an account")
    argument = _SPECIAL.sub(r"\\\1", helper_bundle().reader())
    return f"{user} ALL=(root) NOPASSWD: {python} -I -B -c {argument}"
