"""Is an interface fit for a trial: carrier, speed, an address that can be used; and what is to be forgotten before one.

After a change of speed, ring or MTU a copper link renegotiates for seconds; a new IPv6 address cannot be bound until
its duplicate check ends. What the kernel learned about the peer in an earlier trial (a smaller path MTU, TCP's metrics)
would decide the next one.
"""

from __future__ import annotations

import contextlib
import errno
import time
from typing import List, Optional, TypedDict

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.netlink.entries import Address
from orchestrator.onhost.path import neighbourhood
from orchestrator.onhost.refusal import Refusal

_TIMEOUT_S = 30.0
_LOOK_S = 0.02
_FLUSH = "/proc/sys/net/ipv4/route/flush"  # IPv4 has no request for one peer; only the next lookups pay for it
_NOT_HERE = (errno.EOPNOTSUPP, errno.ENOENT)  # not a Linux
_UNUSABLE = ("tentative", "dadfailed")
_GLOBAL_SCOPE = 0


class SeenEnd(TypedDict):
    """An interface as it was seen last; `negotiates`: its driver knows speeds. `address` is one that can be used."""

    up: bool
    there: bool
    carrier: bool
    speed_bit_s: Optional[int]
    negotiates: bool
    mtu: int
    address: str


class Readiness(SeenEnd):
    """Whether it is fit for a trial, and what is missing."""

    ready: bool
    why: str
    waited_s: float


class Forgotten(TypedDict):
    """What was dropped of what the kernel had learned about a peer; `neighbour` is the state of its entry."""

    forgotten: bool
    why: str
    path_mtu_before_bytes: Optional[int]
    path_mtu_bytes: Optional[int]
    tcp_metrics: bool
    neighbour: str


def wait_ready(
    interface: str,
    family: Optional[int] = None,
    timeout_s: Optional[float] = None,
    address: Optional[str] = None,
    mtu: Optional[int] = None,
    speed_bit_s: Optional[int] = None,
) -> Readiness:
    """Wait until the interface has carrier, a known speed and an address that can be bound, at most `timeout_s`.

    With `address`, `mtu` (bytes) or `speed_bit_s` exactly those. An interface that is switched off is not waited for.
    """
    started = time.monotonic()
    until = started + (_TIMEOUT_S if timeout_s is None else timeout_s)
    while True:
        seen = _look(interface, family, address)
        why = _what_is_missing(interface, seen, family, address, mtu, speed_bit_s)
        if not why or not seen["up"] or time.monotonic() >= until:
            return {**seen, "ready": not why, "why": why, "waited_s": round(time.monotonic() - started, 4)}
        time.sleep(_LOOK_S)


def forget(interface: str, peer: str) -> Forgotten:
    """Drop the path MTU and TCP metrics learned about `peer` and have its neighbour entry made, if it is missing.

    Without privilege nothing can be dropped; `why` says so, and the caller compares the path MTU of a fresh socket
    instead.
    """
    link = netlink.find_link(interface)
    if link is None:
        raise Refusal("interface_missing", f"this host has no interface {interface}", interface=interface)
    index = link["index"]
    before, why, metrics = _learned_mtu(peer, index), "", False
    try:
        if ":" in peer:
            netlink.forget_learned(peer, index)
        else:
            with open(_FLUSH, "w", encoding="ascii") as flush:
                flush.write("1\n")
        metrics = netlink.forget_tcp_metrics(peer)
        neighbour = neighbourhood.ask(index, _next_hop(peer, index))
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.EACCES, *_NOT_HERE):
            raise Refusal(
                "not_forgotten",
                f"what was learned about {peer} cannot be dropped: {error.strerror}",
                interface=interface,
                peer=peer,
            ) from error
        why = "what was learned about the peer stays: " + (
            "this system drops it for nobody" if error.errno in _NOT_HERE else "dropping it needs root"
        )
        entry = neighbourhood.find(index, _next_hop(peer, index))
        neighbour = "" if entry is None else entry["state"]
    return {
        "forgotten": not why,
        "why": why,
        "path_mtu_before_bytes": before,
        "path_mtu_bytes": _learned_mtu(peer, index),
        "tcp_metrics": metrics,
        "neighbour": neighbour,
    }


def _look(interface: str, family: Optional[int], address: Optional[str]) -> SeenEnd:
    link = netlink.find_link(interface)
    if link is None:
        # it may be on its way back: a driver that restarts, a USB card
        return {
            "up": True,
            "there": False,
            "carrier": False,
            "speed_bit_s": None,
            "negotiates": False,
            "mtu": 0,
            "address": "",
        }
    settings = None
    with contextlib.suppress(OSError):
        settings = ethtool.link_settings(interface)
    usable = _usable(link["index"], family)
    fitting = [each["address"] for each in usable if address in (None, "", each["address"])]
    return {
        "up": link["up"],
        "there": True,
        "carrier": link["carrier"] and link["operstate"] in ("up", "unknown"),
        "speed_bit_s": None if settings is None else settings["speed_bit_s"],
        "negotiates": settings is not None and bool(settings["supported"]),
        "mtu": link["mtu"],
        "address": fitting[0] if fitting else "",
    }


def _what_is_missing(
    interface: str,
    seen: SeenEnd,
    family: Optional[int],
    address: Optional[str],
    mtu: Optional[int],
    speed_bit_s: Optional[int],
) -> str:
    """The first thing in the order in which they come; empty when all is there."""
    return (
        _link_problem(interface, seen)
        or _speed_problem(interface, seen, speed_bit_s)
        or (f"{interface} has an MTU of {seen['mtu']}, not {mtu}" if mtu and seen["mtu"] != mtu else "")
        or (_address_problem(interface, family, address) if (family or address) and not seen["address"] else "")
    )


def _address_problem(interface: str, family: Optional[int], address: Optional[str]) -> str:
    """What keeps the address from being used: it is not there, still being checked, or another machine has it."""
    link = netlink.find_link(interface)
    there = [
        each
        for each in (netlink.addresses(link["index"]) if link else [])
        if (each["address"] == address if address else each["family"] == family)
    ]
    if not there:
        return f"{interface} does not have {address or f'any IPv{family} address'}"
    names = ", ".join(each["address"] for each in there)
    if any("dadfailed" in each["flags"] for each in there):
        return f"{interface} cannot use {names}: another machine on its link has the same address"
    return f"{interface} cannot use {names} yet: it is still being checked for duplicates"


def _link_problem(interface: str, seen: SeenEnd) -> str:
    if not seen["there"]:
        return f"{interface} is not there"
    if not seen["up"]:
        return f"{interface} is switched off"
    return "" if seen["carrier"] else f"{interface} has no carrier"


def _speed_problem(interface: str, seen: SeenEnd, wanted_bit_s: Optional[int]) -> str:
    now_bit_s = seen["speed_bit_s"]
    # a driver that knows speeds says "unknown" while it negotiates; one that knows none says so for ever
    if now_bit_s is None:
        return f"{interface} has not agreed on a speed" if seen["negotiates"] or wanted_bit_s else ""
    if wanted_bit_s and now_bit_s != wanted_bit_s:
        return f"{interface} runs at {now_bit_s / 1e6:g} Mb/s, not {wanted_bit_s / 1e6:g}"
    return ""


def _usable(index: int, family: Optional[int]) -> List[Address]:
    """The addresses that can be bound now, the best first."""
    found = [
        each
        for each in netlink.addresses(index)
        if family in (None, each["family"]) and not any(flag in _UNUSABLE for flag in each["flags"])
    ]
    return sorted(
        found,
        key=lambda each: (
            each["scope"] != _GLOBAL_SCOPE,
            "deprecated" in each["flags"],
            "secondary" in each["flags"],
            each["valid_s"] is not None,
        ),
    )


def _learned_mtu(peer: str, index: int) -> Optional[int]:
    """The MTU that the route to the peer carries (its own or a learned one), bytes; None when the link's counts."""
    try:
        metric = netlink.route_to(peer, index)["metrics"].get("mtu")
    except OSError:
        return None
    return None if metric is None else int(metric)


def _next_hop(peer: str, index: int) -> str:
    """The address on the link itself: the peer, or the router on the way to it."""
    try:
        return netlink.route_to(peer, index)["gateway"] or peer
    except OSError:
        return peer
