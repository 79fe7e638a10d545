"""The SSH server inside asyncssh on a lab host: needs no system package and no root.

The server keeps the machine's view of the files, where its own code lies; each command enters the host's view.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
from collections.abc import Callable
from typing import IO

import asyncssh

from orchestrator.lab import namespaces
from orchestrator.lab.scenario import LabHost

_SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_BLOCK_BYTES = 1 << 16
_Process = asyncssh.SSHServerProcess[bytes]


def serve_for_ever(
    host: LabHost, host_key: bytes, public_key: str, host_view: int, listening: Callable[[], None]
) -> None:
    """Run the server in this process. `host_view`: the open mount namespace commands run in."""
    namespaces.drop_machine_wide_capabilities()
    asyncio.run(_serve(host, host_key, public_key, host_view, listening))


async def _serve(
    host: LabHost, host_key: bytes, public_key: str, host_view: int, listening: Callable[[], None]
) -> None:
    async def run_command(process: _Process) -> None:
        await _run_in_login_shell(process, host, host_view)

    listener = socket.create_server((host.control_address, 22))  # by name, asyncio would look it up in a thread
    await asyncssh.listen(
        sock=listener,
        server_host_keys=[asyncssh.import_private_key(host_key)],
        authorized_client_keys=asyncssh.import_authorized_keys(public_key),
        process_factory=run_command,
        encoding=None,
        line_editor=False,
    )
    listening()
    await asyncio.Event().wait()


async def _run_in_login_shell(process: _Process, host: LabHost, host_view: int) -> None:
    """As sshd does it: the account's login shell gets the command after `-c`, and its exit status is the answer."""
    user = process.get_extra_info("username")
    if user != "root":  # another account would need a server that can change its identity
        process.stderr.write(b"this server knows only the account root\n")
        process.exit(255)
        return
    home, shell = f"/run/home/{user}", host.root_shell

    def enter_host() -> None:  # between fork and exec
        namespaces.setns(host_view, namespaces.NEW_MOUNT)
        os.chdir(home)

    environment = {"PATH": _SYSTEM_PATH, "HOME": home, "USER": user, "LOGNAME": user, "SHELL": shell}
    argv = [shell, "-c", process.command] if process.command else [shell]
    child = subprocess.Popen(
        argv,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
        env=environment,
        preexec_fn=enter_host,  # noqa: PLW1509 - no thread of ours runs here
    )
    status = await _carry(process, child)
    if status < 0:
        process.exit_with_signal(signal.Signals(-status).name.removeprefix("SIG"))
    else:
        process.exit(status)


async def _carry(process: _Process, child: subprocess.Popen[bytes]) -> int:
    """Carry bytes both ways until the child has ended and all it wrote is sent; its exit status.

    When the connection is lost the child's pipes are closed, as sshd does it; the child itself is left alone.
    """
    inwards = asyncio.create_task(_carry_in(process, child.stdin))
    outwards = [
        asyncio.create_task(_carry_out(child.stdout, process.stdout)),
        asyncio.create_task(_carry_out(child.stderr, process.stderr)),
    ]
    lost = asyncio.create_task(process.channel.wait_closed())
    try:
        await asyncio.wait({asyncio.create_task(_all_of(outwards)), lost}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (inwards, *outwards, lost):
            task.cancel()
    return await _wait_for(child)


async def _all_of(tasks: list[asyncio.Task[None]]) -> None:
    await asyncio.gather(*tasks, return_exceptions=True)


async def _wait_for(child: subprocess.Popen[bytes]) -> int:
    """The exit status, without a thread: the process is about to fork again, and threads and fork do not mix."""
    descriptor, ended = os.pidfd_open(child.pid), asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(descriptor, ended.set)
    try:
        await ended.wait()
    finally:
        loop.remove_reader(descriptor)
        os.close(descriptor)
    return child.wait()


async def _carry_in(process: _Process, pipe: IO[bytes] | None) -> None:
    loop = asyncio.get_running_loop()
    transport, protocol = await loop.connect_write_pipe(lambda: asyncio.streams.FlowControlMixin(loop), pipe)
    writer = asyncio.StreamWriter(transport, protocol, None, loop)
    # the child may no longer read, or the connection may be lost: either way there is no more to carry
    with (
        contextlib.suppress(
            OSError, asyncssh.Error, asyncssh.BreakReceived, asyncssh.SignalReceived, asyncssh.TerminalSizeChanged
        ),
        contextlib.closing(transport),
    ):
        while block := await process.stdin.read(_BLOCK_BYTES):
            writer.write(block)
            await writer.drain()


async def _carry_out(pipe: IO[bytes] | None, out: asyncssh.SSHWriter[bytes]) -> None:
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    transport, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), pipe)
    with contextlib.suppress(OSError), contextlib.closing(transport):
        while block := await reader.read(_BLOCK_BYTES):
            out.write(block)
            await out.drain()
