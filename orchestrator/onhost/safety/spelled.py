"""What a person would type: the commands that bring an address, a route or a neighbour entry back, as text.

Nothing here is ever run by us; it is printed when something could not be restored.
"""

from __future__ import annotations

import shlex
from typing import Any, Mapping

_MAIN_TABLE = 254
_TO_BE_TYPED = ("nodad", "home", "mngtmpaddr", "noprefixroute", "autojoin")
_PLAIN_PROTOCOLS = ("boot", "unspec")
_METRICS = {
    "mtu": "mtu",
    "window": "window",
    "advmss": "advmss",
    "hoplimit": "hoplimit",
    "initcwnd": "initcwnd",
    "initrwnd": "initrwnd",
    "rto_min": "rto_min",
    "quickack": "quickack",
}


def address_command(entry: Mapping[str, Any], interface: str) -> str:
    """An address as `netlink.addresses` describes it."""
    peer = f" peer {entry['peer']}" if entry.get("peer") else ""
    broadcast = f" broadcast {entry['broadcast']}" if entry.get("broadcast") else ""
    flags = "".join(f" {flag}" for flag in entry.get("flags", []) if flag in _TO_BE_TYPED)
    own = f"{entry['address']}{peer}" if peer else f"{entry['address']}/{entry['prefix']}"
    own += f"/{entry['prefix']}" if peer else ""
    return f"ip address replace {own}{broadcast} dev {shlex.quote(interface)}{flags}"


def route_command(entry: Mapping[str, Any], interface: str) -> str:
    """A route as `netlink.routes` describes it; one with several ways or an encapsulation is more than a line."""
    words = ["ip", "-6" if entry["family"] == 6 else "-4", "route", "replace"]
    words += [entry["type"]] if entry["type"] != "unicast" else []
    words.append(entry["destination"])
    if entry["gateway"]:
        words += ["via", *(["inet6"] if ":" in entry["gateway"] and entry["family"] == 4 else []), entry["gateway"]]
    words += ["dev", shlex.quote(interface)] if interface else []
    words += ["table", str(entry["table"])] if entry["table"] != _MAIN_TABLE else []
    words += ["metric", str(entry["priority"])] if entry["priority"] else []
    words += ["src", entry["source"]] if entry.get("source") else []
    words += ["proto", entry["protocol"]] if entry["protocol"] not in _PLAIN_PROTOCOLS else []
    words += ["onlink"] if entry.get("onlink") else []
    for name, value in entry.get("metrics", {}).items():
        words += [_METRICS[name], str(value)] if name in _METRICS else []
    return " ".join(words)


def neighbour_command(entry: Mapping[str, Any], interface: str) -> str:
    """A neighbour entry as `netlink.neighbours` describes it."""
    if entry["proxy"]:
        return f"ip neighbour add proxy {entry['address']} dev {shlex.quote(interface)}"
    return (
        f"ip neighbour replace {entry['address']} lladdr {entry['mac']} dev {shlex.quote(interface)} "
        f"nud {entry['state']}"
    )


def sysctl_command(path: str, value: str) -> str:
    """A sysctl by its path below /proc/sys, which holds for interfaces with a dot in their name too."""
    return f"sysctl -w {shlex.quote(f'{path}={value}')}"


def write_command(path: str, value: object) -> str:
    """A kernel file that takes a value."""
    return f"echo {shlex.quote(str(value))} > {shlex.quote(path)}"


def default_queueing_command(interface: str) -> str:
    """Have the kernel make its own discipline anew; it cannot be taken away itself, so another one goes before."""
    name = shlex.quote(interface)
    return f"tc qdisc replace dev {name} root pfifo && tc qdisc delete dev {name} root"
