"""A small rtnetlink client: interfaces, addresses, routes, neighbours, queueing disciplines.

Every function opens a socket for itself, so that nothing is shared between processes; one call takes some 100 µs.
They raise OSError; a refusal by the kernel is a NetlinkError, whose `strerror` is the kernel's own
text where it gave one.
"""

from __future__ import annotations

from orchestrator.onhost.netlink.addresses import add_address, addresses, remove_address
from orchestrator.onhost.netlink.channel import NetlinkError
from orchestrator.onhost.netlink.links import find_link, links, set_link
from orchestrator.onhost.netlink.neighbours import neighbours, remove_neighbour, set_neighbour, use_neighbour
from orchestrator.onhost.netlink.qdiscs import drop_root_qdisc, qdiscs, set_root_qdisc
from orchestrator.onhost.netlink.routes import add_route, delete_route, forget_learned, route_to, routes
from orchestrator.onhost.netlink.tcp_metrics import forget_tcp_metrics

__all__ = [
    "NetlinkError",
    "add_address",
    "add_route",
    "addresses",
    "delete_route",
    "drop_root_qdisc",
    "find_link",
    "forget_learned",
    "forget_tcp_metrics",
    "links",
    "neighbours",
    "qdiscs",
    "remove_address",
    "remove_neighbour",
    "route_to",
    "routes",
    "set_link",
    "set_neighbour",
    "set_root_qdisc",
    "use_neighbour",
]
