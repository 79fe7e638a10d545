"""Keeping a level for good: the commands a person types, and how they are made to survive a restart. Pure text."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypedDict

from orchestrator.onhost.settings.base import Setting
from orchestrator.onhost.settings.order import in_order

_PARAMETERS_FILE = "/etc/sysctl.d/90-kept-level.conf"
_UNIT_FILE = "/etc/systemd/system/kept-level.service"
_PARAMETER = "sysctl -w "


class Kept(NamedTuple):
    """For one host: what to type now, what to put into which file, and what no line can keep."""

    commands: list[str]
    files: Mapping[str, str]
    not_kept: list[str]


class Given(TypedDict):
    """One setting with its target and level."""

    setting: str
    target: str
    level: object


def keep(uses: Sequence[Given], settings: Mapping[str, Setting]) -> Kept:
    """How one host keeps these levels, in the order in which they are applied."""
    commands: list[str] = []
    not_kept: list[str] = []
    for use in in_order(uses, settings):
        command = settings[use["setting"]].keep_command(use["target"], use["level"])
        if command:
            commands.append(command)
        else:
            where = f" of {use['target']}" if use["target"] else ""
            not_kept.append(f"{use['setting']}{where} = {use['level']}")
    parameters = [line for command in commands for line in command.split(" && ") if line.startswith(_PARAMETER)]
    others = [command for command in commands if not all(line.startswith(_PARAMETER) for line in command.split(" && "))]
    files = {}
    if parameters:
        files[_PARAMETERS_FILE] = "".join(f"{shlex.split(line)[2]}\n" for line in parameters)
    if others:
        files[_UNIT_FILE] = _unit(others)
    return Kept(commands, files, not_kept)


def _unit(commands: Sequence[str]) -> str:
    """A unit that types the commands once the interfaces are there; enable it with `systemctl enable kept-level`."""
    quoted = (
        command.replace("\\", "\\\\").replace("%", "%%").replace("$", "$$").replace('"', '\\"') for command in commands
    )
    lines = "".join(f'ExecStart=/bin/sh -c "{command}"\n' for command in quoted)
    return (
        "[Unit]\nDescription=Settings that a trial showed to be worth keeping\nAfter=network.target\n\n"
        f"[Service]\nType=oneshot\nRemainAfterExit=yes\n{lines}\n[Install]\nWantedBy=multi-user.target\n"
    )
