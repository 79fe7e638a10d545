"""The lower devices of an interface, all the way down, with MTUs: a bridge's ports, a bond's parts, a VLAN's parent.

A bridge that is set to large frames drops them silently at a port that is not (net/bridge: is_skb_forwardable).
"""

from __future__ import annotations

import contextlib
import struct
from typing import List, Optional, Set, TypedDict

from orchestrator.onhost import netlink
from orchestrator.onhost.path import neighbourhood
from orchestrator.onhost.system.direct_lower_devices import lower_interfaces

_ENTRY = struct.Struct("=6sBBIB3x")  # __fdb_entry of linux/if_bridge.h: mac, port's number, own, age, its high part


class LowerDevice(TypedDict):
    """An interface below another, `above`, which is of a kind: bridge, bond, vlan ..."""

    name: str
    mtu: int
    above: str
    kind_above: str


def lower_devices(interface: str, peer: Optional[str] = None) -> List[LowerDevice]:
    """The nearest first; empty for an interface that is a card itself.

    Of a bridge that knows by which port `peer` is reached only that port is told.
    """
    links = {link["name"]: link for link in netlink.links()}
    mac = _mac_of(links[interface]["index"], peer) if interface in links and peer else ""
    found: List[LowerDevice] = []
    waiting = [interface]
    for above in waiting:  # grows while it is walked
        below: List[str] = []
        with contextlib.suppress(OSError):
            below = [name for name in lower_interfaces(above) if name in links and name not in waiting]
        kind = links[above]["kind"] if above in links else ""
        towards = _ports_towards(above, mac) if kind == "bridge" and mac else set()
        for name in [each for each in below if each in towards] or below:
            found.append({"name": name, "mtu": links[name]["mtu"], "above": above, "kind_above": kind})
            waiting.append(name)
    return found


def _mac_of(index: int, peer: str) -> str:
    entry = neighbourhood.find(index, peer)
    return "" if entry is None else str(entry["mac"])


def _ports_towards(bridge: str, mac: str) -> Set[str]:
    """The port behind which a bridge has seen a hardware address; empty where it has not."""
    wanted = bytes.fromhex(mac.replace(":", ""))
    table = b""
    with contextlib.suppress(OSError), open(f"/sys/class/net/{bridge}/brforward", "rb") as handle:
        table = handle.read(1 << 20)
    numbers = {
        low | high << 8
        for at in range(0, len(table) - _ENTRY.size + 1, _ENTRY.size)
        for seen, low, own, _, high in (_ENTRY.unpack_from(table, at),)
        if seen == wanted and not own
    }
    return {name for name in _names_below(bridge) if _port_number(name) in numbers}


def _names_below(bridge: str) -> List[str]:
    with contextlib.suppress(OSError):
        return lower_interfaces(bridge)
    return []


def _port_number(name: str) -> int:
    path = f"/sys/class/net/{name}/brport/port_no"
    with contextlib.suppress(OSError, ValueError), open(path, encoding="ascii") as number:
        return int(number.read(), 16)
    return -1
