"""A real OpenSSH server on a lab host. Root only: it changes the user identity for every session."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from pathlib import Path

from orchestrator.lab.scenario import LabHost

_FOLDER = Path("/run/lab-sshd")
_SETTINGS = """\
Port 22
ListenAddress {address}
HostKey {folder}/host_key
AuthorizedKeysFile /run/lab-keys/%u
PasswordAuthentication no
KbdInteractiveAuthentication no
PermitRootLogin prohibit-password
UsePAM no
UseDNS no
PidFile none
PrintMotd no
PrintLastLog no
"""


def why_not_here() -> str:
    """Empty text when the program is installed, else what is missing."""
    return "" if shutil.which("sshd") else "OpenSSH's server (package openssh-server) is not installed"


def start(host: LabHost, host_key: bytes, timeout_s: float = 10.0) -> None:
    """Start the server in this place and wait until it listens; RuntimeError with its log when it does not."""
    _FOLDER.mkdir(mode=0o700)
    (_FOLDER / "host_key").write_bytes(host_key)
    (_FOLDER / "host_key").chmod(0o600)
    (_FOLDER / "sshd_config").write_text(_SETTINGS.format(folder=_FOLDER, address=host.control_address))
    log = _FOLDER / "log"
    program = shutil.which("sshd") or "/usr/sbin/sshd"  # must be an absolute path: it starts itself again per session
    server = subprocess.Popen(
        [program, "-D", "-f", str(_FOLDER / "sshd_config"), "-E", str(log)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    until = time.monotonic() + timeout_s
    while time.monotonic() < until and server.poll() is None:
        try:
            socket.create_connection((host.control_address, 22), timeout=1).close()
        except OSError:
            time.sleep(0.005)
        else:
            return
    raise RuntimeError(f"{host.name}: the SSH server did not start: {log.read_text() if log.exists() else 'no log'}")
