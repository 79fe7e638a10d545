"""An SSH server on loopback for one test: any host key or certificate, any login shell, any start file."""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import asyncssh

from orchestrator.act.addresses import HostAddress

SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


@dataclass
class LocalServer:
    """What a running server was made with, and what it saw."""

    folder: Path
    port: int
    keys: Sequence[asyncssh.SSHKey]
    commands: list[str] = field(default_factory=list)
    handshakes: int = 0
    children: list[asyncio.subprocess.Process] = field(default_factory=list)

    def known_line(self, key: asyncssh.SSHKey | None = None, name: str = "", marker: str = "") -> str:
        """A known-hosts line for this server."""
        text = (key or self.keys[0]).export_public_key().decode().strip()
        return f"{marker} {name or f'[127.0.0.1]:{self.port}'} {text}\n".lstrip()

    def configuration(self, known: str, more: str = "") -> str:
        """The path of an SSH configuration that calls this server `box` and knows these host keys."""
        (self.folder / "known_hosts").write_text(known)
        file = self.folder / "config"
        file.write_text(
            f"Host box\n  HostName 127.0.0.1\n  Port {self.port}\n  User {os.environ.get('USER', 'root')}\n"
            f"  IdentityFile {self.folder}/user_key\n  IdentityAgent none\n"
            f"  UserKnownHostsFile {self.folder}/known_hosts\n  GlobalKnownHostsFile /dev/null\n{more}"
        )
        return str(file)


BOX = HostAddress("box", "box", privilege="root")


@contextlib.asynccontextmanager
async def local_server(
    folder: Path,
    *,
    keys: Sequence[asyncssh.SSHKey] = (),
    certificates: Sequence[asyncssh.SSHCertificate] = (),
    login_shell: Sequence[str] = ("/bin/sh", "-c"),
    environment: dict[str, str] | None = None,
    allow_login: bool = True,
    authorized: str = "",
) -> AsyncIterator[LocalServer]:
    """Serve until the block ends. `login_shell` gets the command as its last argument, as a login shell does.

    `authorized`: an authorized-keys line in place of the one for the key that the configuration names.
    """
    keys = keys or [asyncssh.generate_private_key("ssh-ed25519")]
    user_key = asyncssh.generate_private_key("ssh-ed25519")
    (folder / "user_key").write_bytes(user_key.export_private_key())
    (folder / "user_key").chmod(0o600)
    served = LocalServer(folder, 0, keys)
    allowed = user_key if allow_login else asyncssh.generate_private_key("ssh-ed25519")
    admitted = asyncssh.import_authorized_keys(authorized or allowed.export_public_key().decode())

    children = served.children

    async def run(process: asyncssh.SSHServerProcess[bytes]) -> None:
        served.commands.append(process.command or "")
        child = await asyncio.create_subprocess_exec(
            *login_shell,
            process.command or "",
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment or {"PATH": SYSTEM_PATH, "HOME": str(folder)},
            cwd=folder,
        )
        children.append(child)
        await _carry(process, child)

    def accepted(connection: asyncssh.SSHServerConnection) -> None:
        served.handshakes += 1

    shown = list(zip(keys, certificates, strict=True)) if certificates else list(keys)
    listener = await asyncssh.listen(
        "127.0.0.1",
        0,
        server_host_keys=shown,
        authorized_client_keys=admitted,
        server_factory=_Server,
        process_factory=run,
        encoding=None,
        acceptor=accepted,
    )
    served.port = listener.get_port()
    try:
        yield served
    finally:
        listener.close()
        await listener.wait_closed()
        for child in children:
            if child.returncode is None:
                child.kill()
            await child.wait()
            child._transport.close()  # type: ignore[attr-defined] # a process that outlives it may hold a pipe open


class _Server(asyncssh.SSHServer):
    """Lets connections be forwarded, as a jump host does."""

    def connection_requested(self, dest_host: str, dest_port: int, orig_host: str, orig_port: int) -> bool:
        return True


async def _carry(process: asyncssh.SSHServerProcess[bytes], child: asyncio.subprocess.Process) -> None:
    """Bytes both ways until the child has ended; then its exit status, whoever still holds its output open."""
    assert child.stdin is not None
    assert child.stdout is not None
    assert child.stderr is not None
    tasks = [
        asyncio.create_task(_copy(process.stdin, child.stdin)),
        asyncio.create_task(_copy(child.stdout, process.stdout)),
        asyncio.create_task(_copy(child.stderr, process.stderr)),
    ]
    try:
        while child.returncode is None:  # wait() would also wait for the end of its output
            await asyncio.sleep(0.005)
        await asyncio.wait(tasks[1:], timeout=0.2)
        process.exit(child.returncode)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _copy(source: Any, sink: Any) -> None:
    with contextlib.suppress(asyncssh.Error, OSError):
        while data := await source.read(65536):
            sink.write(data)
            await sink.drain()
    if isinstance(sink, asyncio.StreamWriter):
        sink.close()
