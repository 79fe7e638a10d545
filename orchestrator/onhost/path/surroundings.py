"""What lies around one end of a path that does not carry: looked at once it has failed, so that the cause can be named.

Nothing is changed and nothing sent. What cannot be read here is None.
"""

from __future__ import annotations

import contextlib
from typing import List, Optional, Tuple, TypedDict

from orchestrator.onhost import netlink
from orchestrator.onhost.path import neighbourhood
from orchestrator.onhost.survey.activity import packet_filters
from orchestrator.onhost.survey.roots import Roots
from orchestrator.onhost.system.lower_devices import LowerDevice, lower_devices

_STRICT = "/proc/sys/net/ipv4/conf/{}/rp_filter"  # RFC 3704 s2.2; the higher of all's and the interface's own counts


class Way(TypedDict):
    """From an interface to an address."""

    interface: str
    peer: str


class Surroundings(TypedDict):
    """What lies around the interface and on the way.

    `neighbour` is the state of the entry of the next hop, "" without one; `leaves_by` the interface that the routing
    table chooses for the peer, None where it knows no way.
    """

    up: bool
    carrier: bool
    neighbour: str
    gateway: str
    leaves_by: Optional[str]
    filters: Optional[List[str]]
    strict_reverse_path: Optional[bool]
    lower: List[LowerDevice]


def surroundings(args: Way) -> Surroundings:
    """What lies around the interface and on the way to `peer`, looked at once the path has failed."""
    interface, peer = args["interface"], args["peer"]
    links = netlink.links()
    link = next((each for each in links if each["name"] == interface), None)
    if link is None:
        return {
            "up": False,
            "carrier": False,
            "neighbour": "",
            "gateway": "",
            "leaves_by": None,
            "filters": None,
            "strict_reverse_path": None,
            "lower": [],
        }
    gateway, _ = _route(peer, link["index"])
    _, chosen = _route(peer, None)
    names = {each["index"]: each["name"] for each in links}
    next_hop = neighbourhood.find(link["index"], gateway or peer)
    return {
        "up": link["up"],
        "carrier": link["carrier"],
        "neighbour": "" if next_hop is None else next_hop["state"],
        "gateway": gateway,
        "leaves_by": None if chosen is None else names.get(chosen),
        "filters": _filters(),
        "strict_reverse_path": None if ":" in peer else _strict(interface),
        "lower": lower_devices(interface, peer),
    }


def _route(peer: str, index: Optional[int]) -> Tuple[str, Optional[int]]:
    """(the router or "", the interface's index) of the way that the routing table has; ("", None) without one."""
    with contextlib.suppress(OSError):
        route = netlink.route_to(peer, index)
        return route["gateway"] or "", route["index"]
    return "", None


def _filters() -> Optional[List[str]]:
    with contextlib.suppress(OSError):
        return packet_filters(Roots())
    return None


def _strict(interface: str) -> Optional[bool]:
    """Whether frames are dropped whose sender would be answered by another interface."""
    found = []
    for name in ("all", interface):
        with contextlib.suppress(OSError, ValueError), open(_STRICT.format(name), encoding="ascii") as value:
            found.append(int(value.read()))
    return max(found) == 1 if found else None
