"""Hosts that are not Linux: what a plan may ask of a host of the BSD family, and what is not seen there. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.planning.cells import Cell, SettingUse
from orchestrator.planning.document import Document, Path
from orchestrator.planning.links import SENDERS, other_end
from orchestrator.planning.plan import Plan
from orchestrator.planning.traffic import TRAFFIC_FACTORS

LINUX, BSD = "linux", "bsd"
_MTU, _LEAST_MTU = "mtu", 1280  # RFC 8200 s5; what these systems do with IPv6 below it, and give back, is not known
# Traffic factors that need something of Linux, by whose end needs it; with the levels that need nothing.
_OF_SENDER = {"pacing": (None,), "sender_core": (None,), "zero_copy": (None, False), "send_with": (None, "single")}
_OF_RECEIVER = {"receiver_core": (None,), "receive_with": (None, "single")}

NOT_WATCHED = (
    "of the BSD family: of the settings only mtu can be set there, from 1280 on. Not seen there, and so empty in the "
    "tables, never zero: cores, clocks, heat and throttling; the counters of interface, queue and driver, with them "
    "where datagrams were lost and cross traffic; TCP's own account (segments, retransmissions, round trip, "
    "windows); the kernel's receive times (jitter, delay variation); what was learned about the path; the link's speed "
    "(say rate: for a ceiling). UDP goes one datagram a call. Proven against an emulated BSD host only"
)


def check_systems(document: Document, plan: Plan, found: Sequence[Cell]) -> None:
    """No plan asks a host for what its system does not have."""
    others = frozenset(name for name, host in plan.hosts.items() if host.system == BSD)
    if not others:
        return
    said: set[tuple[str, ...]] = set()
    for use in (use for cell in found for use in cell.settings if use.host in others):
        if (use.host, use.factor, use.setting) not in said and (why := _why_not(use)):
            said.add((use.host, use.factor, use.setting))
            document.report(
                _path(plan, use), "bad-level", why, "leave it out, or change it at the other end alone", key=True
            )
    for name, link in plan.links.items():
        there = [end.host for end in link.ends if end.host in others]
        if there and link.address == "temporary":
            document.report(
                ("links", name, "address"),
                "clash",
                f"{there[0]} is a host of the BSD family, whose addresses are not changed",
                "give the ends addresses, and leave address out",
            )
    for factor, host in _traffic(plan, found, others):
        if (factor, host) not in said:
            said.add((factor, host))
            document.report(
                ("factors", factor),
                "bad-level",
                f"'{factor}' needs what {host}, a host of the BSD family, has not",
                "leave it out, or out of the direction that needs it",
                key=True,
            )


def _why_not(use: SettingUse) -> str:
    if use.setting != _MTU:
        return f"{use.setting} cannot be set at {use.host}, a host of the BSD family: of the settings only mtu can"
    if isinstance(use.level, int) and use.level < _LEAST_MTU:
        return f"an MTU of {use.level} is not given to {use.host}, a host of the BSD family: {_LEAST_MTU} is the least"
    return ""


def _path(plan: Plan, use: SettingUse) -> Path:
    return ("factors", use.factor) if use.factor in plan.factors else ("hold", int(use.factor[5:]) - 1)


def _traffic(plan: Plan, found: Sequence[Cell], others: frozenset[str]) -> Iterator[tuple[str, str]]:
    """(factor, host) for every end of the BSD family that a cell asks for something of Linux."""
    for cell in found:
        for link in cell.links:
            ends = plan.links[link]
            for sender in SENDERS[cell.traffic["direction"]]:
                receiver = other_end(sender)
                for host, needs in ((ends.end(sender).host, _OF_SENDER), (ends.end(receiver).host, _OF_RECEIVER)):
                    if host in others:
                        yield from (
                            (name, host)
                            for name, without in needs.items()
                            if cell.traffic[TRAFFIC_FACTORS[name].key] not in without
                        )
