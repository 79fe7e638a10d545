"""A real OpenSSH server on loopback with users of its own: its /etc/passwd, sudoers and /run are private mounts."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import asyncssh

from orchestrator.act.addresses import HostAddress

USER, UID = "astronomer", 20001
_START = """
set -e
for file in passwd group shadow; do mount --bind "$0/$file" /etc/$file; done
mount -t tmpfs tmpfs /run && mkdir -m 755 /run/sshd
if [ -e /etc/sudoers ]; then mount --bind "$0/sudoers" /etc/sudoers; mount -t tmpfs tmpfs /etc/sudoers.d; fi
if [ -e "$0/sudo" ]; then mount --bind "$0/sudo" "$(command -v sudo)"; fi
exec /usr/sbin/sshd -D -e -f "$0/sshd_config"
"""


@dataclass
class OpenSsh:
    """A running server and how to reach it."""

    folder: Path
    port: int
    config: str

    def host(self, privilege: str = "none", user: str = USER) -> HostAddress:
        """The server as a host of a plan."""
        return HostAddress("box", "box", user, privilege=privilege)

    def log(self) -> str:
        """What the server wrote."""
        return (self.folder / "log").read_text(errors="replace")


def why_not_here() -> str:
    """Why such a server cannot be started, or empty."""
    return "" if os.geteuid() == 0 and Path("/usr/sbin/sshd").exists() else "needs root and openssh-server"


@contextlib.contextmanager
def open_ssh(
    *,
    login_shell: str = "/bin/bash",
    start_file: str = "",
    sudoers: str = "",
    settings: str = "",
    broken_sudo: bool = False,
    shadow: str = "*:19000:0:99999:7:::",
    key_options: str = "",
) -> Iterator[OpenSsh]:
    """Serve until the block ends."""
    folder = Path(tempfile.mkdtemp(prefix="linktrial-sshd-"))
    folder.chmod(0o755)  # the user has to reach the home inside
    _write_accounts(folder, login_shell, start_file, shadow)
    key = asyncssh.generate_private_key("ssh-ed25519")
    host_key = asyncssh.generate_private_key("ssh-ed25519")
    for name, content in (("user_key", key.export_private_key()), ("host_key", host_key.export_private_key())):
        (folder / name).write_bytes(content)
        (folder / name).chmod(0o600)
    (folder / "authorized").write_text(f"{key_options} {key.export_public_key().decode()}".lstrip())
    (folder / "sudoers").write_text(f"root ALL=(ALL:ALL) ALL\n{sudoers}\n")
    (folder / "sudoers").chmod(0o440)
    if broken_sudo:
        shutil.copy(shutil.which("sudo") or "/usr/bin/sudo", folder / "sudo")
        (folder / "sudo").chmod(0o755)
    port = _free_port()
    (folder / "sshd_config").write_text(
        f"{settings}\nPort {port}\nListenAddress 127.0.0.1\nHostKey {folder}/host_key\nStrictModes no\nUsePAM no\n"
        f"AuthorizedKeysFile {folder}/authorized\nPidFile none\nUseDNS no\nPrintMotd no\nLogLevel VERBOSE\n"
    )
    (folder / "known_hosts").write_text(f"[127.0.0.1]:{port} {host_key.export_public_key().decode()}")
    (folder / "config").write_text(
        f"Host box\n  HostName 127.0.0.1\n  Port {port}\n  IdentityFile {folder}/user_key\n  IdentityAgent none\n"
        f"  UserKnownHostsFile {folder}/known_hosts\n  GlobalKnownHostsFile /dev/null\n"
    )
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [
                "unshare",
                "--mount",
                "--pid",
                "--fork",
                "--kill-child",
                "--mount-proc",
                "/bin/sh",
                "-c",
                _START,
                str(folder),
            ],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
    try:
        _wait_for(port, process, folder)
        yield OpenSsh(folder, port, str(folder / "config"))
    finally:
        process.kill()  # takes the whole process namespace along
        process.wait()
        shutil.rmtree(folder, ignore_errors=True)


def _write_accounts(folder: Path, login_shell: str, start_file: str, shadow: str) -> None:
    home = folder / "home"
    home.mkdir()
    (home / ".bashrc").write_text(start_file)
    for file in (home, home / ".bashrc"):
        os.chown(file, UID, UID)
    (folder / "passwd").write_text(
        f"root:x:0:0:root:/root:/bin/bash\nsshd:x:100:65534::/run/sshd:/usr/sbin/nologin\n"
        f"{USER}:x:{UID}:{UID}::{home}:{login_shell}\n"
    )
    (folder / "group").write_text(f"root:x:0:\nnogroup:x:65534:\n{USER}:x:{UID}:\n")
    (folder / "shadow").write_text(f"root:*:19000:0:99999:7:::\n{USER}:{shadow}\n")
    (folder / "shadow").chmod(0o640)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def _wait_for(port: int, process: subprocess.Popen[bytes], folder: Path) -> None:
    until = time.monotonic() + 20
    while time.monotonic() < until and process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.01)
        else:
            return
    raise RuntimeError(f"sshd did not start: {(folder / 'log').read_text()}")
