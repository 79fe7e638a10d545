"""What makes an interface no end of a link, from what its host has told: refused before any change. Pure.

A host that the plan gives commands of its own may still be brought into shape by them: what a command can change is
not held against it.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.ends import interface_facts, interface_of
from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.host_facts import HostFacts, InterfaceFacts
from orchestrator.decide.state import RunState
from orchestrator.faults import Fault, HostError, LinkError
from orchestrator.planning.cells import COMMAND, Cell

_TEST_ADDRESS = "test-address"
_BRING_UP = (COMMAND, "speed")  # settings that may give an end its carrier
# What a master of this kind does leaves the interface an end of its own: a VRF only has a routing table of its own.
_LETS_FRAMES_THROUGH = ("vrf",)
_PARTS = {
    "bridge": "a port of the bridge",
    "openvswitch": "a port of the switch",
    "bond": "a part of the bond",
    "team": "a part of the team",
}


def end_problem(host: str, interface: InterfaceFacts, cells: Iterable[Cell]) -> Fault | None:
    """Why this interface cannot be an end; None when nothing speaks against it."""
    name, master, kind = interface["name"], interface.get("master") or "", interface.get("master_kind") or ""
    if master and kind not in _LETS_FRAMES_THROUGH:
        part = _PARTS.get(kind, "a part of")
        return HostError(
            "enslaved",
            f"{host}: {name} is {part} {master}, which takes every frame that comes in by "
            f"{name}: no address of {name} is ever reached",
            host=host,
            interface=name,
            master=master,
            next_step=f"name {host} {master} as the link's end, or take {name} out of {master}: "
            f"ip link set dev {name} nomaster",
        )
    if interface.get("up") is False and not _has_commands(host, cells):
        return HostError(
            "switched_off",
            f"{host}: {name} is switched off",
            host=host,
            interface=name,
            next_step=f"switch it on: ip link set dev {name} up (on {host})",
        )
    return None


def address_problem(
    link: LinkSetup,
    facts: Mapping[str, HostFacts],
    names: tuple[str, str],
    pair: tuple[str, str],
    cells: Iterable[Cell],
) -> Fault | None:
    """Why traffic of a link cannot have these addresses; `names` are its two interfaces. None when it can."""
    if pair[0] == pair[1]:
        return LinkError(
            "same_address",
            f"link {link.name}: both ends are given {pair[0]}: traffic to it would never leave a host",
            link=link.name,
            next_step="name the address of each end",
        )
    cells = list(cells)
    for place, (host, selector) in enumerate(link.ends):
        told = facts[host]
        if fault := _not_own(link, host, selector, told, names[place], pair[place], cells):
            return fault
        if there := _owners(told, names[place]).get(str(ipaddress.ip_address(pair[1 - place]))):
            other = link.ends[1 - place][0]
            return LinkError(
                "address_is_own",
                f"link {link.name}: {pair[1 - place]}, the address of {other}, is also "
                f"one of {host} itself (on {there}): {host} would send to itself",
                link=link.name,
                next_step=f"take it away from {there} of {host}, or give {other} another one",
            )
    return None


@dataclass(frozen=True)
class EndNotReady:
    """An end that may still become usable: `address` is the tentative one, "" where the carrier is missing."""

    host: str
    interface: str
    family: int | None
    address: str | None

    def fault(self, why: str, waited_s: float) -> HostError:
        """What is said when it did not."""
        if self.address:
            return HostError(
                "address_tentative",
                f"{self.host}: {self.address} of {self.interface} stays tentative "
                f"({why}, after {waited_s:.0f} s): the kernel's duplicate check does not end",
                host=self.host,
                interface=self.interface,
                next_step=f"look at the link of {self.interface} and at net.ipv6.conf."
                f"{self.interface}.dad_transmits, or give it another address",
            )
        return HostError(
            "no_carrier",
            f"{self.host}: {why} (waited for {waited_s:.0f} s)",
            host=self.host,
            interface=self.interface,
            next_step=f"look at the cable of {self.interface} and at what it "
            "is plugged into: a peer that is off, a port that is shut down",
        )


def ends_not_ready(state: RunState) -> list[EndNotReady]:
    """The ends that cannot be used at this moment, and that nothing in the plan would change."""
    found: dict[EndNotReady, None] = {}
    for cell in state.setup.cells:
        for link in (state.setup.link(name) for name in cell.links):
            told = [state.hosts[host].facts or {} for host, _ in link.ends]
            ends = [
                interface_facts(interface_of(selector, facts, host), facts)
                for (host, selector), facts in zip(link.ends, told, strict=True)
            ]
            if any(
                use.setting in _BRING_UP and use.host in dict(link.ends)
                for one in state.setup.cells
                for use in one.settings
            ):
                continue
            family, *pair = addresses_of(link, ends[0], ends[1], cell.traffic["ip"])
            for (host, _), interface, address in zip(link.ends, ends, pair, strict=True):
                if not interface["carrier"]:
                    found[EndNotReady(host, interface["name"], None, None)] = None
                elif any(_same(each["address"], address) and each.get("tentative") for each in interface["addresses"]):
                    found[EndNotReady(host, interface["name"], family, address)] = None
    return list(found)


def _not_own(
    link: LinkSetup, host: str, selector: str, told: HostFacts, name: str, address: str, cells: list[Cell]
) -> Fault | None:
    """Why an address is none that its end can have."""
    mine = next(each for each in told["interfaces"] if each["name"] == name)
    entry = next((each for each in mine["addresses"] if _same(each["address"], address)), None)
    if entry is not None and entry.get("duplicate"):
        return LinkError(
            "duplicate_address",
            f"link {link.name}: {host}:{name} cannot use {address}: another machine "
            "on its link has the same address (the kernel's duplicate check failed)",
            link=link.name,
            next_step=f"find the other machine, or give {host}:{name} another address",
        )
    if entry is not None or _has_commands(host, cells) or _is_given(host, selector, address, cells):
        return None
    there = _owners(told, name).get(str(ipaddress.ip_address(address)), "")
    has = ", ".join(each["address"] for each in mine["addresses"]) or "none"
    if there:
        return LinkError(
            "address_elsewhere",
            f"link {link.name}: {address} is an address of {host}:{there}, and the "
            f"link's end there is {name}, which has {has}",
            link=link.name,
            next_step=f"name {host} {there} as the end, or an address of {name}",
        )
    return LinkError(
        "address_missing",
        f"link {link.name}: {host}:{name} does not have the address {address} that the plan names; it has {has}",
        link=link.name,
        next_step=f"name one that it has, give it this one, or leave `address` out of link {link.name}",
    )


def _owners(told: HostFacts, end: str) -> dict[str, str]:
    """Address -> the interface of this host that has it, of those that share the end's routing (VRF) and are up."""
    routing = next(_vrf(each) for each in told["interfaces"] if each["name"] == end)
    return {
        str(ipaddress.ip_address(each["address"])): str(interface["name"])
        for interface in told["interfaces"]
        if interface.get("up") is not False and _vrf(interface) == routing
        for each in interface["addresses"]
        if not ipaddress.ip_address(each["address"]).is_link_local
    }


def _vrf(interface: InterfaceFacts) -> str:
    return str(interface.get("master") or "") if interface.get("master_kind") == "vrf" else ""


def _same(one: str, other: str) -> bool:
    return ipaddress.ip_address(one) == ipaddress.ip_address(other)


def _has_commands(host: str, cells: Iterable[Cell]) -> bool:
    """Whether the plan runs commands of its own there."""
    return any(use.setting == COMMAND and use.host == host for cell in cells for use in cell.settings)


def _is_given(host: str, selector: str, address: str, cells: Iterable[Cell]) -> bool:
    """Whether the run itself gives the end this address."""
    return any(
        _same(text.split("/")[0], address)
        for cell in cells
        for use in cell.settings
        if use.setting == _TEST_ADDRESS and (use.host, use.selector) == (host, selector)
        for text in _texts(use.level)
    )


def _texts(level: object) -> Iterator[str]:
    yield from level.split() if isinstance(level, str) else map(str, level if isinstance(level, list) else ())
