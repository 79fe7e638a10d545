"""How the plan names a host, before the user's SSH configuration has been asked."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class HostAddress:
    """One host of the plan: `ssh` is any name that the user's SSH configuration knows."""

    name: str
    ssh: str
    user: str | None = None
    port: int | None = None
    privilege: str = "root"  # "root" | "sudo" | "none"
    host_key: str | None = None  # "ssh-ed25519 AAAA...": pinned, instead of known-hosts files
