"""Who should answer for the addresses of a link, and what it means when somebody else does too. Pure.

A host answers for an IPv4 address of any of its interfaces by whichever hears the question, unless it is told not to
(arp_ignore, ip-sysctl.rst of Linux). Which answer its peer keeps is chance: frames then arrive by an interface that the
traffic is not bound to, in some runs and not in others.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.ends import interface_facts, interface_of
from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.host_facts import HostFacts, InterfaceFacts
from orchestrator.decide.state import RunState, facts_of
from orchestrator.faults import HostError


@dataclass(frozen=True)
class Question:
    """One end asks its link who has the other end's address."""

    link: str
    host: str
    interface: str
    source: str
    asked_host: str
    asked_interface: str
    address: str


def questions(state: RunState) -> list[Question]:
    """What is to be asked before a run: IPv4 addresses that both ends have now and reach without a router."""
    facts = facts_of(state)
    families = {(link, cell.traffic["ip"]) for cell in state.setup.cells for link in cell.links}
    asked: dict[Question, None] = {}
    for name, ip in sorted(families, key=lambda pair: (pair[0], pair[1] or 0)):
        link = state.setup.link(name)
        ends = [interface_facts(interface_of(selector, facts[host], host), facts[host]) for host, selector in link.ends]
        family, mine, theirs = addresses_of(link, ends[0], ends[1], ip)
        if family == 4:
            asked.update(dict.fromkeys(_both_ways(link, ends, (mine, theirs))))
    return list(asked)


def questions_of(link: LinkSetup, interfaces: Sequence[str], addresses: tuple[str, str]) -> tuple[Question, Question]:
    """Both ends' questions about each other."""
    (a, _), (b, _) = link.ends
    return (
        Question(link.name, a, interfaces[0], addresses[0], b, interfaces[1], addresses[1]),
        Question(link.name, b, interfaces[1], addresses[1], a, interfaces[0], addresses[0]),
    )


def _both_ways(link: LinkSetup, ends: Sequence[InterfaceFacts], addresses: tuple[str, str]) -> Iterator[Question]:
    pair = [_on_interface(end, address) for end, address in zip(ends, addresses, strict=True)]
    if pair[0] and pair[1] and pair[0].network.overlaps(pair[1].network):  # else a router answers, or nobody yet
        yield from questions_of(link, [end["name"] for end in ends], addresses)


def _on_interface(interface: InterfaceFacts, address: str) -> ipaddress.IPv4Interface | None:
    return next(
        (
            ipaddress.IPv4Interface(f"{each['address']}/{each['prefix']}")
            for each in interface["addresses"]
            if each["family"] == 4 and each["address"] == address
        ),
        None,
    )


def wrong_answer(question: Question, macs: Sequence[str], asked: HostFacts) -> HostError | None:
    """What is wrong when these hardware addresses answer; `asked` are the facts of the host whose address it is."""
    own = interface_facts(question.asked_interface, asked)["mac"].lower()
    others = [mac.lower() for mac in macs if mac.lower() != own]
    if not others:
        return None
    host, name, address = question.asked_host, question.asked_interface, question.address
    by = {mac: [each["name"] for each in asked["interfaces"] if each["mac"].lower() == mac] for mac in others}
    inside = sorted({one for names in by.values() for one in names})
    right = own in [mac.lower() for mac in macs]
    where = f"{question.host}:{question.interface} asks its link for {address}, the address of {host}:{name}"
    if inside:
        listed = ", ".join(inside)
        too = " as well" if right else f", and {name} does not"
        return HostError(
            "answered_elsewhere",
            f"{where}: {listed} of {host} {'answers' if len(inside) == 1 else 'answer'}{too}, so "
            f"that frames may arrive by {listed} instead of {name}",
            host=host,
            interface=name,
            answering=inside,
            next_step=_silence(host, inside)
            if right
            else f"name {host} {inside[0]} as the end of {question.link}, or put the cable where the plan says; "
            f"if both are on this link, {_silence(host, inside)}",
        )
    return HostError(
        "answered_by_another",
        f"{where}: {', '.join(others)} answers{' as well' if right else ''}, which is no "
        f"interface of {host}: another machine has the same address, or answers in its place",
        host=host,
        interface=name,
        answering=others,
        next_step=f"find that machine and give it another address, or use one for {host}:{name} that nobody else has",
    )


def _silence(host: str, names: Sequence[str]) -> str:
    """What makes the other interfaces keep silent."""
    commands = "; ".join(f"sysctl -w net.ipv4.conf.{name.replace('.', '/')}.arp_ignore=1" for name in names)
    return (
        f"take {', '.join(names)} of {host} off this link (its cable, or: ip link set dev {names[0]} down), or let "
        f"it answer for its own addresses only, on {host}: {commands}"
    )
