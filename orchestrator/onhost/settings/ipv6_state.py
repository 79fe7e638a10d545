"""What IPv6 has on one interface, and how it is restored after the kernel took IPv6 off it (an MTU below 1280)."""

from __future__ import annotations

import errno
from typing import Dict, Iterator, List, TypedDict

from orchestrator.onhost.netlink.entries import Address, AddressEntry, Link, NeighbourKept, Route, RouteKept
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import spelled
from orchestrator.onhost.safety.told import Told, came_or_went, told
from orchestrator.onhost.settings.kernel import Kernel

_SYSCTLS = "/proc/sys/net/ipv6"
# Not values: stable_secret cannot be read unless it was set and cannot be written twice; the IPv6 MTU follows the link.
_NOT_PUT_BACK = ("conf/stable_secret", "conf/mtu")
# Writing one of these changes others (forwarding resets accept_ra's meaning and more), so they come first.
_FIRST = ("conf/disable_ipv6", "conf/addr_gen_mode", "conf/forwarding")
_OWN_WORK_OF_THE_KERNEL = ("tentative", "dadfailed", "deprecated", "permanent", "optimistic", "secondary")
_NO_DUPLICATE_CHECK = "nodad"
_LOCAL_TABLE = 255


class Ipv6State(TypedDict):
    """All that IPv6 has on an interface; sysctls as `conf/accept_ra` and `neigh/...`, with the file's text."""

    addresses: List[AddressEntry]
    routes: List[RouteKept]
    neighbours: List[NeighbourKept]
    sysctls: Dict[str, str]


def take(kernel: Kernel, link: Link) -> Ipv6State:
    """Addresses, routes, fixed neighbours and sysctls. Lifetimes that count down are not part of it.

    What a router announced (it has a lifetime) is announced again and not ours to repeat.
    """
    index = link["index"]
    addresses = [_address(each) for each in kernel.addresses(index) if each["family"] == 6 and each["valid_s"] is None]
    routes = [
        _route(each)
        for each in kernel.routes(6)
        if index in each["indexes"]
        and each["table"] != _LOCAL_TABLE
        and each["type"] != "multicast"
        and each["expires_s"] is None
        and each["protocol"] not in ("ra", "redirect")
    ]
    neighbours: List[NeighbourKept] = [
        {
            "family": each["family"],
            "address": each["address"],
            "mac": each["mac"],
            "state": each["state"],
            "proxy": each["proxy"],
            "router": each["router"],
        }
        for each in kernel.neighbours(index)
        if each["family"] == 6 and (each["state"] == "permanent" or each["proxy"])
    ]
    return {
        "addresses": sorted(addresses, key=lambda each: str(each["address"])),
        "routes": sorted(routes, key=lambda each: str(each["raw"])),
        "neighbours": sorted(neighbours, key=lambda each: str(each["address"])),
        "sysctls": _sysctls(kernel, link["name"]),
    }


def missing(before: Ipv6State, now: Ipv6State) -> List[str]:
    """What `before` has and `now` has not, each as a person names it; more than before is no difference."""
    gone = [
        f"address {each['address']}/{each['prefix']}" for each in before["addresses"] if each not in now["addresses"]
    ]
    gone += [f"route {each['destination']}" for each in before["routes"] if each not in now["routes"]]
    gone += [f"neighbour {each['address']}" for each in before["neighbours"] if each not in now["neighbours"]]
    gone += [f"{name} = {value}" for name, value in before["sysctls"].items() if now["sysctls"].get(name) != value]
    return gone


def told_missing(name: str, before: Ipv6State, now: Ipv6State) -> Iterator[Told]:
    """The same for a person, each with its command: the values of sysctls, the others as things that are gone."""
    for address in before["addresses"]:
        if address not in now["addresses"]:
            called = f"address {address['address']}/{address['prefix']} of {name}"
            yield came_or_went(called, address, spelled.address_command(address, name))
    for route in before["routes"]:
        if route not in now["routes"]:
            yield came_or_went(f"route {route['destination']} of {name}", route, spelled.route_command(route, name))
    for entry in before["neighbours"]:
        if entry not in now["neighbours"]:
            command = spelled.neighbour_command(entry, name)
            yield came_or_went(f"neighbour {entry['address']} of {name}", entry, command)
    for key, value in before["sysctls"].items():
        if now["sysctls"].get(key) != value:
            path = f"net/ipv6/{key.replace('/', '/' + name + '/', 1)}"
            yield told(path, value, now["sysctls"].get(key), spelled.sysctl_command(path, value))


def restored(kernel: Kernel, link: Link, before: Ipv6State) -> None:
    """Bring back all of `before`; Refusal names what would not come."""
    if not missing(before, take(kernel, link)):
        return
    _write_sysctls(kernel, link["name"], before["sysctls"])
    for address in before["addresses"]:
        _put_address(kernel, link["index"], address)
    _put_routes(kernel, link["index"], before)
    for entry in before["neighbours"]:
        if entry not in take(kernel, link)["neighbours"]:
            kernel.set_neighbour(link["index"], entry)
    gone = missing(before, take(kernel, link))
    if gone:
        raise Refusal("failed", f"IPv6 of {link['name']} did not come back whole: {', '.join(gone[:5])}", missing=gone)


def mend_commands(kernel: Kernel, name: str, state: Ipv6State) -> List[str]:
    """What a person types to bring it back; sysctls only where they are not, or would not come back, as they were."""
    # where the directory is gone it will come back with the defaults; neighbours have those in the first namespace only
    now = {**_sysctls(kernel, "lo"), **_sysctls(kernel, "default"), **_sysctls(kernel, name)}
    lines = [
        spelled.sysctl_command(f"net/ipv6/{key.replace('/', '/' + name + '/', 1)}", value)
        for key, value in state["sysctls"].items()
        if now.get(key) != value
    ]
    lines += [spelled.address_command(each, name) for each in state["addresses"]]
    # the kernel's own prefix routes come with the addresses
    lines += [spelled.route_command(each, name) for each in state["routes"] if each["protocol"] != "kernel"]
    lines += [spelled.neighbour_command(each, name) for each in state["neighbours"]]
    return lines


def _address(entry: Address) -> AddressEntry:
    return {
        "address": entry["address"],
        "prefix": entry["prefix"],
        "peer": entry["peer"],
        "scope": entry["scope"],
        "priority": entry["priority"],
        "protocol": entry["protocol"],
        "flags": [flag for flag in entry["flags"] if flag not in _OWN_WORK_OF_THE_KERNEL],
    }


def _route(entry: Route) -> RouteKept:
    return {
        "family": entry["family"],
        "destination": entry["destination"],
        "gateway": entry["gateway"],
        "table": entry["table"],
        "priority": entry["priority"],
        "protocol": entry["protocol"],
        "metrics": entry["metrics"],
        "type": entry["type"],
        "onlink": entry["onlink"],
        "raw": entry["raw"],
    }


def _sysctls(kernel: Kernel, name: str) -> Dict[str, str]:
    found = {}
    for part in ("conf", "neigh"):
        folder = f"{_SYSCTLS}/{part}/{name}"
        for file in kernel.names(folder):
            try:
                found[f"{part}/{file}"] = kernel.read_text(f"{folder}/{file}")
            except OSError:
                continue  # stable_secret without a secret answers EIO
    return {key: value for key, value in found.items() if key not in _NOT_PUT_BACK}


def _write_sysctls(kernel: Kernel, name: str, wanted: Dict[str, str]) -> None:
    ordered = [*(key for key in _FIRST if key in wanted), *(key for key in wanted if key not in _FIRST)]
    now = _sysctls(kernel, name)
    for key in ordered:
        if now.get(key) == wanted[key]:
            continue
        part, _, file = key.partition("/")
        try:
            kernel.write_text(f"{_SYSCTLS}/{part}/{name}/{file}", wanted[key])
        except OSError as error:
            # read-only and computed files come back by themselves; what does not is named at the end
            if error.errno not in (errno.EACCES, errno.EPERM, errno.EINVAL, errno.EIO, errno.ENOENT):
                raise


def _put_address(kernel: Kernel, index: int, entry: AddressEntry) -> None:
    """Make the address what it was, at once usable.

    The link-local address that the kernel made anew is still being checked for duplicates: it is replaced. The check
    is left out by a flag, which a second request takes off again where the address had none.
    """
    present = [each for each in kernel.addresses(index) if each["address"] == entry["address"]]
    if present and _address(present[0]) == entry and "tentative" not in present[0]["flags"]:
        return
    if present:
        kernel.remove_address(index, present[0])
    kernel.add_address(index, entry, no_duplicate_check=True)
    if _NO_DUPLICATE_CHECK not in entry["flags"]:
        kernel.add_address(index, entry, replace=True)


def _put_routes(kernel: Kernel, index: int, before: Ipv6State) -> None:
    """Add what is missing, as often as one more succeeds: a route by a gateway needs the way to the gateway first."""
    while True:
        present = [_route(each)["raw"] for each in kernel.routes(6)]
        progress = False
        for entry in before["routes"]:
            if entry["raw"] in present:
                continue
            try:
                kernel.add_route(entry, index)
                progress = True
            except OSError:
                continue  # what never succeeds is named by the caller's last look
        if not progress:
            return
