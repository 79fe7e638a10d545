"""`linktrial trust`: show the key a host shows, and record it when somebody has confirmed it."""

from __future__ import annotations

import asyncio
import hmac
import sys
from typing import TYPE_CHECKING

import click

from orchestrator.cli.access import CONNECT_TIMEOUT_S, Access, access_options
from orchestrator.cli.say import say, typed
from orchestrator.words.exit_codes import Exit

if TYPE_CHECKING:
    import asyncssh

    from orchestrator.act.ssh_config import SshRoute


@click.command()
@click.argument("host", required=False)
@click.option("--user", help="Log in as this user, if not as the SSH configuration says.")
@click.option("--port", type=click.IntRange(1, 65535), help="Connect to this port.")
@click.option("--confirm", metavar="SHA256:...", help="Record the key if it has this fingerprint; for scripts.")
@click.option("--sudoers", metavar="USER", help="Print the sudoers line that lets USER start the helper, and end.")
@access_options
def command(
    host: str | None,
    user: str | None,
    port: int | None,
    confirm: str | None,
    sudoers: str | None,
    ssh_config: str | None,
) -> int:
    """Show the key of HOST (any name your SSH configuration knows) and record it when confirmed.

    Nothing is recorded without a confirmation typed on a terminal, or --confirm with the fingerprint that you have
    read on the host itself.
    """
    if sudoers is not None:
        return _print_sudoers_line(sudoers)
    if host is None:
        raise click.UsageError("which host? (linktrial trust HOST)")
    route, key = asyncio.run(_shown(host, user, port, Access(ssh_config)))
    return _decide(host, route, key, confirm)


def _print_sudoers_line(user: str) -> int:
    from orchestrator.act.sudoers import sudoers_line

    try:
        line = sudoers_line(user)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    say(line)
    say(
        "Put this line into a file of its own with: visudo -f /etc/sudoers.d/linktrial",
        "It allows this version of the helper's code and no other; another version of linktrial needs another line.",
        "The helper then runs as root.",
        err=True,
    )
    return Exit.COMPLETE


async def _shown(host: str, user: str | None, port: int | None, access: Access) -> tuple[SshRoute, asyncssh.SSHKey]:
    from orchestrator.act.addresses import HostAddress
    from orchestrator.act.login import shown_key

    return await shown_key(
        HostAddress(host, host, user, port), ssh_config=access.ssh_config, timeout_s=CONNECT_TIMEOUT_S
    )


def _decide(host: str, route: SshRoute, key: asyncssh.SSHKey, confirm: str | None) -> int:
    from orchestrator.act.host_keys import fingerprint, names_of, read_known_hosts, record_key, trusted_for

    trusted, shown = trusted_for(route, read_known_hosts(route.known_hosts_files)), fingerprint(key)
    say(f"{names_of(route)[0]} shows this {key.get_algorithm()} key:", f"  {shown}")
    places = ", ".join(trusted.places_of([key]))
    if key in trusted.keys and key not in trusted.revoked:
        say(f"It is known already: {places}")
        return Exit.COMPLETE
    known = [f"  {fingerprint(one)}  {', '.join(trusted.places_of([one]))}" for one in trusted.keys]
    objection = (
        [f"It is revoked: {places}"]
        if key in trusted.revoked
        else ["Another key is known for it:", *known, "If the host was installed anew, remove that line first."]
        if trusted.keys
        else []
        if route.known_hosts_files
        else ["The SSH configuration names no file to record it in."]
    )
    if not objection:
        say(
            "Compare it with what the host itself says:",
            "  ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub   (or _ecdsa_, _rsa_)",
        )
        objection = list(filter(None, [_lack_of_confirmation(host, shown, confirm)]))
    if objection:
        say(*objection, err=True)
        return Exit.REFUSED
    say(f"Recorded in {record_key(route, key)}")
    return Exit.COMPLETE


def _lack_of_confirmation(host: str, shown: str, confirm: str | None) -> str:
    if confirm is not None:
        return "" if hmac.compare_digest(confirm.strip(), shown) else f"Not recorded: {confirm} was to be confirmed."
    if _confirmed_on_terminal():
        return ""
    return f"Not recorded. Once you have compared it: linktrial trust {typed(host)} --confirm {shown}"


def _confirmed_on_terminal() -> bool:
    """Whether a person at a terminal has typed yes; nobody is asked without one."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    return str(click.prompt("Type yes to trust it", default="no", err=True)).strip().lower() == "yes"
