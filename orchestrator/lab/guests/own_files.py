"""What tells a guest from others of the same image: its disk's own files, and its keys."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

from orchestrator.lab.guests.boot_choice import CHOICE
from orchestrator.lab.guests.disk import Disk
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.lab import Lab


def copy_disk(source: Path, target: Path) -> None:
    """A guest's disk from an image; holes stay holes."""
    subprocess.run(["cp", "--sparse=always", "--reflink=auto", str(source), str(target)], check=True)


def write(disk: Disk, guest: Guest, release: str, host_key: bytes, public_key: str) -> None:
    """Name, interfaces, keys, and the kernel (`release`) that it boots until it chooses another."""
    disk.write(CHOICE, f"{release}\n".encode())
    disk.write("/etc/hostname", f"{guest.name}\n".encode())
    disk.write("/etc/hosts", f"127.0.0.1 localhost {guest.name}\n::1 localhost {guest.name}\n".encode())
    disk.write("/etc/lab/interfaces", guest.interfaces.encode())
    disk.write("/etc/ssh/ssh_host_ed25519_key", host_key, 0o600)
    disk.write("/root/.ssh/authorized_keys", public_key.encode(), 0o600)


def let_in(lab: Lab, guests: Sequence[Guest]) -> dict[str, tuple[bytes, str]]:
    """A host key per guest, added to the controller's SSH files; returns (host key, the controller's public key)."""
    import asyncssh

    config = lab.controller.path(lab.ssh_config)
    public_key = asyncssh.read_private_key(str(config.with_name("id_ed25519"))).export_public_key().decode()
    keys, known, blocks = {}, "", ""
    for guest in guests:
        key = asyncssh.generate_private_key("ssh-ed25519", guest.name)
        keys[guest.name] = (key.export_private_key(), public_key)
        address = guest.host.control_address
        known += f"{guest.name},{address} {' '.join(key.export_public_key().decode().split()[:2])}\n"
        blocks += f"Host {guest.name}\n  HostName {address}\n"
    known_hosts = config.with_name("known_hosts")
    known_hosts.write_text(known_hosts.read_text() + known)
    config.write_text(blocks + config.read_text())
    return keys
