"""What is wrong with an interface that is to be measured: carrier, speed, frame size, bus, queues, neighbours. Pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Sequence

from orchestrator.decide.findings.bus import bus_findings
from orchestrator.decide.findings.finding import Finding, LinkNeed, measured_interfaces, needs_of, rate_words
from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey

_BUSY_SHARE = 0.005  # of the link's rate: the share of foreign octets that is noted in a trial
_BUSY_BIT_S = 1_000_000  # announcements and the like; below this nothing is said
_MANY_CARRIER_CHANGES = 20  # a link that comes up at start has two


def interface_findings(host: str, survey: Survey, needs: Sequence[LinkNeed]) -> Iterator[Finding]:
    """For every interface to be measured, in the order in which a person would check."""
    for interface in measured_interfaces(host, survey, needs):
        own = list(needs_of(host, interface["name"], needs))
        yield from _carrier(host, interface)
        yield from _speed(host, interface)
        yield from _frame_size(host, interface, own)
        yield from _addresses(host, survey, interface)
        yield from _errors(host, survey, interface)
        yield from bus_findings(host, interface)
        yield from _interrupts(host, survey, interface)
        yield from _traffic(host, survey, interface)
        if own:  # without a plan nobody knows whether it is to be measured at all
            yield from _part_of(host, interface)
            yield from _control(host, survey, interface)


def _carrier(host: str, interface: InterfaceFacts) -> Iterator[Finding]:
    name = interface["name"]
    if interface["operstate"] == "down" or not interface["carrier"]:
        yield Finding(
            "no_carrier",
            "stops",
            host,
            name,
            f"{name} has no carrier",
            "nothing can be sent: no cable, a peer that is off, or an interface that is switched off",
            f"look at the cable and the peer; ip link set dev {name} up, if it is switched off",
        )


def _speed(host: str, interface: InterfaceFacts) -> Iterator[Finding]:
    name, speed = interface["name"], interface["speed_bit_s"]
    if interface["duplex"] == "half":
        yield Finding(
            "half_duplex",
            "limits",
            host,
            name,
            f"{name} runs half duplex",
            "both directions share the line and collide; usually one end negotiates and the other does not",
            "let both ends negotiate, or force the same at both",
        )
    fastest, offered = interface.get("fastest_bit_s"), interface.get("offered_load_max_bit_s")
    peer = interface.get("peer_fastest_bit_s")
    if not speed:
        return
    if fastest and peer and speed < min(fastest, peer):
        yield Finding(
            "slower_than_both",
            "limits",
            host,
            name,
            f"{name} runs at {rate_words(speed)}, and both ends could do {rate_words(min(fastest, peer))}",
            "a pair of wires that is bad or missing makes links fall back to a lower speed",
            "try another cable, then another port",
        )
    elif fastest and offered and speed < fastest and offered < fastest:
        yield Finding(
            "offers_less",
            "limits",
            host,
            name,
            f"{name} offers {rate_words(offered)} at most and could do {rate_words(fastest)}",
            "somebody limited what it negotiates",
            f"ethtool -s {name} autoneg on advertise all modes again",
        )


def _frame_size(host: str, interface: InterfaceFacts, needs: Sequence[LinkNeed]) -> Iterator[Finding]:
    name, most = interface["name"], interface["max_mtu"] or 0
    wanted = max((mtu for need in needs for mtu in need.mtus), default=0)
    if most and wanted > most:
        jumbo = "this interface cannot do jumbo frames" if most <= 1500 else f"this interface cannot do {wanted}"
        yield Finding(
            "mtu_impossible",
            "stops",
            host,
            name,
            f"the plan asks for an MTU of {wanted}, and the driver {interface['driver']} of {name} has a "
            f"greatest MTU of {most}",
            f"{jumbo}: no setting will change that",
            f"leave {wanted} out, or measure it with another card or driver",
        )


def _addresses(host: str, survey: Survey, interface: InterfaceFacts) -> Iterator[Finding]:
    name = interface["name"]
    mine = _networks(interface)
    if not mine:
        local = [each["address"] for each in interface["addresses"]]
        seen = f"{name} has only the link-local address {local[0]}" if local else f"{name} has no address"
        yield Finding(
            "no_address",
            "stops",
            host,
            name,
            seen,
            "traffic needs an address of a network at both ends of a link",
            "give it one, or say `address: temporary` in the plan's link",
        )
    for other in survey["interfaces"]:
        shared = next(
            (
                net
                for net in mine
                for theirs in _networks(other)
                if net.version == theirs.version == 4 and net.overlaps(theirs)
            ),
            None,
        )  # IPv6 answers only by the interface asked for, RFC 4861 s7.2.4
        if other["name"] != name and shared and not other["loopback"] and other.get("up") is not False:
            yield Finding(
                "same_network",
                "disturbs",
                host,
                name,
                f"{name} and {other['name']} of this host are both in {shared}",
                f"where both are on one link, {other['name']} answers for {name} as well, and which answer "
                "counts is chance; traffic is bound to the named interface, answers to neighbour requests "
                "are not",
                f"give the measured link a network of its own, take {other['name']} out of it, or let it "
                f"answer for its own addresses only: sysctl -w net.ipv4.conf."
                f"{other['name'].replace('.', '/')}.arp_ignore=1",
            )


def _part_of(host: str, interface: InterfaceFacts) -> Iterator[Finding]:
    """A bridge's port or a bond's part is no end."""
    master, kind = interface.get("master") or "", interface.get("master_kind") or ""
    if master and kind != "vrf":
        yield Finding(
            "enslaved",
            "stops",
            host,
            interface["name"],
            f"{interface['name']} belongs to {master}{f' ({kind})' if kind else ''}",
            f"{master} takes every frame that comes in: no address of {interface['name']} is ever reached",
            f"name {master} as the link's end, or take {interface['name']} out of it",
        )


def _networks(interface: InterfaceFacts) -> list[ipaddress.IPv4Network | ipaddress.IPv6Network]:
    every = (ipaddress.ip_interface(f"{each['address']}/{each['prefix']}") for each in interface["addresses"])
    return [each.network for each in every if not each.is_link_local]


def _errors(host: str, survey: Survey, interface: InterfaceFacts) -> Iterator[Finding]:
    name, counted = interface["name"], dict(interface.get("errors") or {})
    changes = counted.pop("carrier_changes", 0)
    rising = ((survey.get("activity") or {}).get("new_errors") or {}).get(name)
    if rising:
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(rising.items()))
        yield Finding(
            "errors_now",
            "limits",
            host,
            name,
            f"errors of {name} are counting up right now: {told} more while it was looked at",
            "frames are being lost at this moment, before any test traffic",
            "change the cable, then the port; look at the peer's counters as well",
        )
    elif counted:
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(counted.items()))
        yield Finding(
            "errors",
            "disturbs",
            host,
            name,
            f"{name} has counted errors since it started: {told}",
            "frames with errors are lost without anybody being told; a bad cable is the usual reason",
            "see whether they go on counting under load; change the cable",
        )
    if changes > _MANY_CARRIER_CHANGES:
        yield Finding(
            "carrier_changes",
            "disturbs",
            host,
            name,
            f"the carrier of {name} came and went {changes} times",
            "a link that drops ends a trial, and comes back perhaps at another speed",
            "look at the cable, the port and the card's power",
        )


def _interrupts(host: str, survey: Survey, interface: InterfaceFacts) -> Iterator[Finding]:
    name, cores = interface["name"], survey["cpus"]
    places = set((interface.get("interrupts") or {}).values())
    queues = interface.get("queues") or {}
    if cores < 2 or not places or queues.get("steered"):
        return
    place = next(iter(places))
    on_one = len(places) == 1 and place.isdigit()
    if on_one or queues.get("receive") == 1:
        seen = f"all interrupts of {name} go to core {place}" if on_one else f"{name} has one receive queue"
        yield Finding(
            "one_core_receives",
            "limits",
            host,
            name,
            f"{seen}, and receive steering is off",
            f"one of {cores} cores does all the work of receiving; what it can do is what is measured",
            "vary it: interrupt-cores: spread, or receive-steering: all",
        )


def _traffic(host: str, survey: Survey, interface: InterfaceFacts) -> Iterator[Finding]:
    name = interface["name"]
    now_bit_s = (survey.get("activity") or {}).get("traffic_bit_s", {}).get(name, 0)
    if now_bit_s > max(_BUSY_BIT_S, _BUSY_SHARE * (interface["speed_bit_s"] or 0)):
        yield Finding(
            "busy_link",
            "disturbs",
            host,
            name,
            f"somebody sends {rate_words(now_bit_s)} over {name} now",
            "it takes part of the line, the cores and the queues from every trial",
            "find out who it is (ss -tunp), and measure on a link of your own",
        )


def _control(host: str, survey: Survey, interface: InterfaceFacts) -> Iterator[Finding]:
    if interface["name"] in (survey.get("control") or {}).get("interfaces", []):
        yield Finding(
            "control_over_measured",
            "disturbs",
            host,
            interface["name"],
            f"this host is controlled over {interface['name']}, which is to be measured",
            "test traffic delays our own messages, and a setting that drops the link cuts us off for a while",
            "reach the host by another interface where it has one",
        )
