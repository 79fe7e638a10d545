"""Which interfaces an interface lies on, by ifconfig(8): a bridge's members, the parent of a VLAN."""

from __future__ import annotations

from typing import List

from orchestrator.onhost.bsd.ifconfig import read_interfaces


def lower_interfaces(name: str) -> List[str]:
    """Those directly below, sorted."""
    return sorted(below for each in read_interfaces() if each.name == name for below in each.lies_on)
