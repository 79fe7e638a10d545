"""Which addresses a link's traffic runs between, and what is said where there are none. Pure.

What counts is what the interfaces have: link-local IPv6 addresses and duplicates (RFC 4862 s5.4) are none to measure
with, tentative ones become usable and are waited for.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.host_facts import InterfaceFacts
from orchestrator.faults import LinkError

Address = ipaddress.IPv4Interface | ipaddress.IPv6Interface
_LEAST_IPV6_MTU = 1280  # RFC 8200 s5: below it the kernel takes IPv6 off an interface
_TEMPORARY = "write `address: temporary` in the plan's link (198.18.0.0/15 and 2001:2::/48, for the run alone)"


def addresses_of(
    link: LinkSetup, first: InterfaceFacts, second: InterfaceFacts, ip: int | None
) -> tuple[int, str, str]:
    """(family, first address, second address) for traffic on a link.

    The plan's own addresses lead; else the first pair of both interfaces that reach each other without a router, IPv4
    before IPv6 unless the cell asks for one. LinkError when there is none, with what is there instead.
    """
    for one, other in link.addresses:
        if ip in (None, ipaddress.ip_address(one).version):
            return ipaddress.ip_address(one).version, one, other
    for family in (ip,) if ip else (4, 6):
        for mine in _own(first, family):
            for theirs in _own(second, family):
                if on_one_link(mine, theirs):
                    return family, str(mine[0].ip), str(theirs[0].ip)
    raise _no_pair(link, (first, second), ip)


def on_one_link(mine: tuple[Address, str], theirs: tuple[Address, str]) -> bool:
    """Whether two addresses (with the peer's, of a point-to-point link) reach each other without a router."""
    (one, far_of_one), (other, far_of_other) = mine, theirs
    if one.ip == other.ip:
        return False
    return _covers(one, far_of_one, other) and _covers(other, far_of_other, one)


def _covers(own: Address, far: str, other: Address) -> bool:
    return str(other.ip) == far if far else other.ip in own.network


def _own(interface: InterfaceFacts, family: int) -> list[tuple[Address, str]]:
    """The addresses that traffic may have, each with its peer's on a point-to-point link."""
    return [
        (ipaddress.ip_interface(f"{each['address']}/{each['prefix']}"), str(each.get("peer") or ""))
        for each in interface["addresses"]
        if each["family"] == family
        and not each.get("duplicate")
        and not ipaddress.ip_address(each["address"]).is_link_local
    ]


def _no_pair(link: LinkSetup, interfaces: tuple[InterfaceFacts, InterfaceFacts], ip: int | None) -> LinkError:
    """Why no pair of addresses will do: an end's lack first, then what the two have."""
    ends = [f"{host}:{interface['name']}" for (host, _), interface in zip(link.ends, interfaces, strict=True)]
    lacks = [why for end, interface in zip(ends, interfaces, strict=True) for why in _lack(end, interface, ip)]
    if lacks:
        return LinkError(
            "no_address",
            f"link {link.name}: {'; '.join(lacks)}",
            link=link.name,
            next_step=f"{_TEMPORARY}, or give both ends addresses of one network",
        )
    families = (ip,) if ip else (4, 6)
    have = [[address for family in families for address, _ in _own(interface, family)] for interface in interfaces]
    same = next((one for one in have[0] for other in have[1] if one.ip == other.ip), None)
    if same is not None:
        return LinkError(
            "same_address",
            f"link {link.name}: {ends[0]} and {ends[1]} both have {same.ip}: traffic to it would never leave a host",
            link=link.name,
            next_step="give one of them another address",
        )
    told = " and ".join(f"{end} has {', '.join(map(str, own))}" for end, own in zip(ends, have, strict=True))
    pairs = ((one.ip, other.ip) for one in have[0] for other in have[1] if one.version == other.version)
    pair = next((f"{{under_test: {mine}, far: {theirs}}}" for mine, theirs in pairs), "")
    routed = f"; where a router joins the two, say so: address: {pair}" if pair else ""
    asked = f"IPv{ip} " if ip else ""
    return LinkError(
        "no_common_network",
        f"link {link.name}: {told}: no {asked}network that both are in",
        link=link.name,
        next_step=f"give both ends addresses of one network, or {_TEMPORARY}{routed}",
    )


def _lack(end: str, interface: InterfaceFacts, ip: int | None) -> Iterator[str]:
    """What is said of an end without any address of the families that would do."""
    families = (ip,) if ip else (4, 6)
    if any(_own(interface, family) for family in families):
        return
    there = [each for each in interface["addresses"] if each["family"] in families]
    duplicates = [each["address"] for each in there if each.get("duplicate")]
    local = [each["address"] for each in there if not each.get("duplicate")]
    kind = f"IPv{ip} " if ip else ""
    if duplicates:
        yield (
            f"{end} cannot use {', '.join(duplicates)}: another machine on its link has the same address (the "
            "kernel's duplicate check failed)"
        )
    elif local:
        yield (
            f"{end} has only the link-local address {local[0]}, which needs no network and names none: traffic is "
            "measured between addresses of a network"
        )
    elif ip == 6 and interface["mtu"] < _LEAST_IPV6_MTU:
        yield f"{end} has no IPv6: its MTU is {interface['mtu']}, and IPv6 needs {_LEAST_IPV6_MTU} (RFC 8200 s5)"
    else:
        yield f"{end} has no {kind}address"
