"""What lies around one end of a path that does not carry: looked at once it has failed, so that the cause can be named.

Nothing is changed and nothing sent. What cannot be read here is None.
"""

from __future__ import annotations

import contextlib
from typing import Any, Dict, List, Mapping, Optional

from orchestrator.onhost import netlink
from orchestrator.onhost.path import neighbourhood
from orchestrator.onhost.survey.activity import packet_filters
from orchestrator.onhost.survey.roots import Roots
from orchestrator.onhost.system.lower_devices import lower_devices

_STRICT = "/proc/sys/net/ipv4/conf/{}/rp_filter"  # RFC 3704 s2.2; the greater of all's and the interface's own counts


def surroundings(args: Dict[str, Any]) -> Dict[str, Any]:
    """{up, carrier, neighbour, gateway, leaves_by, filters, strict_reverse_path, lower} of the way to `peer`.

    `neighbour` is the state of the entry of the next hop, "" without one; `leaves_by` the interface that the routing
    table chooses for `peer`, None where it knows no way; `lower` what the interface lies on (lower_devices.py).
    """
    interface, peer = str(args["interface"]), str(args["peer"])
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
    bound = _route(peer, link["index"])
    gateway = str(bound.get("gateway") or "")
    chosen = _route(peer, None)
    names = {each["index"]: each["name"] for each in links}
    state = (neighbourhood.find(link["index"], gateway or peer) or {"state": ""})["state"]
    return {
        "up": link["up"],
        "carrier": link["carrier"],
        "neighbour": state,
        "gateway": gateway,
        "leaves_by": names.get(chosen.get("index") or 0),
        "filters": _filters(),
        "strict_reverse_path": None if ":" in peer else _strict(interface),
        "lower": lower_devices(interface, peer)["lower"],
    }


def _route(peer: str, index: Optional[int]) -> Mapping[str, Any]:
    with contextlib.suppress(OSError):
        return netlink.route_to(peer, index)
    return {}


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
