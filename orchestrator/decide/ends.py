"""Which interface and which address an end of a link is, from what the host told about itself."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from typing import Any

from orchestrator.decide.setup import LinkSetup
from orchestrator.faults import HostError, LinkError
from orchestrator.planning.cells import BOOT_LINES, COMMAND, SettingUse

Json = Mapping[str, Any]
_BY = {"mac": ("mac", "permanent_mac"), "bus": ("bus",), "driver": ("driver",)}


def interface_of(selector: str, facts: Json, host: str = "") -> str:
    """The name of the interface that the plan means by name, `mac:`, `bus:` or `driver:`; HostError when not one."""
    kind, separator, wanted = selector.partition(":")
    interfaces = facts.get("interfaces", [])
    if separator and kind in _BY:
        found = [i["name"] for i in interfaces if any(str(i.get(key) or "").lower() == wanted.lower()
                                                      for key in _BY[kind])]
    else:
        found = [i["name"] for i in interfaces if i["name"] == selector]
    if len(found) == 1:
        return str(found[0])
    names = ", ".join(i["name"] for i in interfaces if not i.get("loopback")) or "none"
    why = "no interface of this host is" if not found else f"{len(found)} interfaces ({', '.join(found)}) are"
    raise HostError("interface_unknown", f"{host}: {why} {selector!r}", host=host, selector=selector,
                    next_step=f"name one of its interfaces in the plan: {names}")


def target_of(use: SettingUse, facts: Json) -> str:
    """What a setting acts on at the host: an interface's name; its factor's, where there may be several; or nothing."""
    if use.setting in (COMMAND, BOOT_LINES):
        return use.factor
    return interface_of(use.selector, facts, use.host) if use.selector else ""


def interface_facts(name: str, facts: Json) -> dict[str, Any]:
    """What the host told about one of its interfaces."""
    return next(dict(i) for i in facts["interfaces"] if i["name"] == name)


def same_network_namespace(one: Json, other: Json) -> bool:
    """Whether two hosts are one machine whose traffic would never leave it."""
    return bool(one["boot_id"] == other["boot_id"] and one["netns"] == other["netns"])


def _networks(interface: Json, family: int) -> list[ipaddress.IPv4Interface | ipaddress.IPv6Interface]:
    return [ipaddress.ip_interface(f"{a['address']}/{a['prefix']}") for a in interface["addresses"]
            if a["family"] == family and not ipaddress.ip_address(a["address"]).is_link_local]


def addresses_of(link: LinkSetup, first: Json, second: Json, ip: int | None) -> tuple[int, str, str]:
    """(family, first address, second address) for traffic on a link.

    The plan's own addresses lead; else the first pair of both interfaces that lies in one network, IPv4 before IPv6
    unless the cell asks for one. LinkError when there is none.
    """
    for one, other in link.addresses:
        if ip in (None, ipaddress.ip_address(one).version):
            return ipaddress.ip_address(one).version, one, other
    for family in ((ip,) if ip else (4, 6)):
        for mine in _networks(first, family):
            for theirs in _networks(second, family):
                if mine.network == theirs.network and mine.ip != theirs.ip:
                    return family, str(mine.ip), str(theirs.ip)
    asked = f"IPv{ip} " if ip else ""
    raise LinkError("no_common_network", f"link {link.name}: {first['name']} and {second['name']} have no {asked}"
                    "addresses in one network", next_step="give both interfaces addresses of one network, or name "
                    "them in the plan: address: [first, second]", link=link.name)
