"""How the user wants hosts to be reached: the options shared by every command that contacts hosts."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from orchestrator.act.session import HostSession
    from orchestrator.planning import Plan

CONNECT_TIMEOUT_S = 30.0  # to an answering helper: name, key exchange, login shell, Python's start on a slow board

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class Access:
    """An SSH configuration other than the user's own, or None; whether each message is noted in the log."""

    ssh_config: str | None = None
    debug: bool = False


def access_options(function: F) -> F:
    """Give a command the options that say how hosts are reached."""
    return click.option(
        "--ssh-config", type=click.Path(exists=True, dir_okay=False), help="An SSH configuration of your own."
    )(function)


def debug_option(function: F) -> F:
    """Give a command that runs plans the option that fills the log."""
    return click.option("--debug", is_flag=True, help="Note each message to and from the hosts in log.txt.")(function)


def opener(
    plan: Plan, access: Access, note: Callable[[str], None] | None = None
) -> Callable[[str], Awaitable[HostSession]]:
    """A function that opens a session to one of the plan's hosts by its name; `note` takes a line for each message."""
    from orchestrator.act.message_log import MessageLog
    from orchestrator.act.session import HostAddress, connect

    addresses = {
        name: HostAddress(name, host.ssh, host.user, host.port, host.privilege, host.host_key)
        for name, host in plan.hosts.items()
    }
    return lambda name: connect(
        addresses[name],
        ssh_config=access.ssh_config,
        timeout_s=CONNECT_TIMEOUT_S,
        log=MessageLog(name, note) if note else None,
    )
