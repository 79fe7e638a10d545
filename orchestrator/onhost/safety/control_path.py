"""By which interface this host is being controlled: a change to it may cut the very connection that asks for it."""

from __future__ import annotations

import contextlib
import ipaddress
import os
from typing import List

from orchestrator.onhost import netlink
from orchestrator.onhost.safety.answers import ControlPath
from orchestrator.onhost.system.direct_lower_devices import lower_interfaces
from orchestrator.onhost.system.process import parent_of, ssh_connection_of

_ANCESTORS = 16


def control_path() -> ControlPath:
    """The addresses of the SSH connection and what it comes in by.

    `interfaces` are the interface with that address and all its lower devices (a bridge's ports, a VLAN's parent). All
    empty when the helper was not started over SSH, or through an address that this host does not have (a forwarded
    port).
    """
    words = noted_connection().split()
    if len(words) != 4:
        return {"local": "", "peer": "", "interface": "", "interfaces": []}
    peer, local = words[0], words[2]
    name = interface_with(local)
    return {"local": local, "peer": peer, "interface": name, "interfaces": _all_below(name) if name else []}


def interface_with(address: str) -> str:
    """The interface that has an address; "" when none has."""
    wanted = ipaddress.ip_address(address.partition("%")[0])
    mapped = getattr(wanted, "ipv4_mapped", None)
    names = {link["index"]: link["name"] for link in netlink.links()}
    for index, name in names.items():
        for entry in netlink.addresses(index):
            if ipaddress.ip_address(entry["address"]) in (wanted, mapped):
                return str(name)
    return ""


def noted_connection() -> str:
    """What the SSH server noted in the environment; sudo drops it from ours, an ancestor still has it."""
    pid = os.getpid()
    for _ in range(_ANCESTORS):
        noted = ssh_connection_of(pid)
        if noted:
            return noted
        pid = parent_of(pid)
        if pid <= 1:
            break
    return ""


def _all_below(name: str) -> List[str]:
    """The interface and its lower devices, itself first."""
    found = [name]
    for each in found:  # grows while it is walked
        with contextlib.suppress(OSError):
            found += [one for one in lower_interfaces(each) if one not in found]
    return found
