"""Which keys are offered to a host, in the order in which OpenSSH offers them.

Servers give up after a few wrong keys (six by default), so an agent full of keys must not stand before the key that
the configuration names for this host.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import asyncssh

from orchestrator.act.ssh_config import SshRoute

AGENT_TIMEOUT_S = 10.0  # an agent that asks its user for something is not waited for longer


class KeyPairs(list[asyncssh.SSHKeyPair]):
    """Never counts as "none given": asyncssh would then load the user's default keys by itself."""

    def __bool__(self) -> bool:
        return True


@dataclass
class OfferedKeys:
    """The keys in order, and why others that are named are not among them."""

    keys: KeyPairs = field(default_factory=KeyPairs)
    passed_over: list[str] = field(default_factory=list)


@contextlib.asynccontextmanager
async def offered_keys(route: SshRoute) -> AsyncIterator[OfferedKeys]:
    """First the agent's keys that the configuration names, then named files, then the agent's others.

    The agent stays connected until the block ends, because it makes the signatures.
    """
    offered = OfferedKeys()
    async with _agent_keys(route) as held:
        named = [data for file in route.identity_files for data in _public_data(file)]
        offered.keys.extend(
            sorted((key for key in held if _plain_data(key) in named), key=lambda key: named.index(_plain_data(key)))
        )
        already = {_plain_data(key) for key in offered.keys}
        for key in _file_keys(route, offered.passed_over):
            if key.has_cert or _plain_data(key) not in already:
                offered.keys.append(key)
        if not route.identities_only:
            offered.keys.extend(key for key in held if _plain_data(key) not in named)
        yield offered


@contextlib.asynccontextmanager
async def _agent_keys(route: SshRoute) -> AsyncIterator[list[asyncssh.SSHKeyPair]]:
    """What the agent holds; nothing when there is none or it does not answer."""
    if not route.identity_agent:
        yield []
        return
    agent: asyncssh.SSHAgentClient | None = None
    held: list[asyncssh.SSHKeyPair] = []
    with contextlib.suppress(OSError, ValueError, asyncssh.Error, TimeoutError):
        agent = await asyncio.wait_for(asyncssh.connect_agent(route.identity_agent), AGENT_TIMEOUT_S)
        held = list(await asyncio.wait_for(agent.get_keys(), AGENT_TIMEOUT_S))
    try:
        yield held
    finally:
        if agent is not None:
            agent.close()
            await agent.wait_closed()


def _file_keys(route: SshRoute, passed_over: list[str]) -> list[asyncssh.SSHKeyPair]:
    """The private keys that can be used as they are; one with a passphrase needs an agent."""
    found: list[asyncssh.SSHKeyPair] = []
    for file in route.identity_files:
        if not file.is_file():
            continue
        try:
            found.extend(asyncssh.load_keypairs(str(file)))
        except asyncssh.KeyEncryptionError:
            passed_over.append(f"{file} has a passphrase")
        except (asyncssh.KeyImportError, OSError) as error:
            passed_over.append(f"{file}: {error}")
    return found


def _public_data(file: Path) -> list[bytes]:
    """The public halves of a named key, from the files beside it that need no passphrase."""
    found = []
    for name in (file.with_name(f"{file.name}.pub"), file):
        with contextlib.suppress(OSError, asyncssh.KeyImportError, ValueError):
            found.append(asyncssh.read_public_key(name).public_data)
    return found


def _plain_data(key: asyncssh.SSHKeyPair) -> bytes:
    """What identifies the key itself, with or without a certificate around it."""
    return bytes(key.key_public_data)
