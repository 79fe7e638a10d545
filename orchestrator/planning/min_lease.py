"""The least lease with which a plan can do what it does over an interface that SSH runs over, too. Pure.

A host that hears nothing from us for its lease restores itself, so whatever keeps us from being heard has to be over
before that. The controller takes its own timeouts for such moments from here: what is refused is what it would need.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from orchestrator.planning.cells import COMMAND, Cell, SettingUse, cells
from orchestrator.planning.document import Document
from orchestrator.planning.plan import Plan
from orchestrator.words.units import DURATION, format_as

CONNECT_S = 2.0  # a login and the helper's start on a small board
SOONEST_BACK_S, LATEST_BACK_S = 2.0, 7.0  # a copper link that renegotiates is back after
CONFIRM_S = 15.0  # for a new connection after a change of the interface that SSH uses
_LEASE_SHARE = 0.9  # of a lease that is renewed just before a change: what the change and a new connection may take
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 20.0  # between two tries to reach a lost host
PAUSES_PER_LEASE = 10  # as long as the host may still wait for us
OFTENEST_S = 0.02  # between two renewals that come as datagrams, once none was answered
UNANSWERED_S = 0.5  # for so long
FLOOD_LOSS_RATIO, LEASE_LOST_ODDS = 0.95, 1e-6  # of such datagrams in a flood; that all of a lease's are lost


@dataclass(frozen=True)
class Need:
    """Why a lease must not be shorter: `what` the plan does at a host's interface, and the least lease, seconds.

    `sure_s` is the least one that does with the slowest link, too.
    """

    host: str
    selector: str
    what: str
    min_s: float
    sure_s: float


def confirm_s(lease_s: float) -> float:
    """How long a change of SSH's own interface waits for a new connection, seconds.

    Nothing renews the lease from such a change until that connection is there, so it must be there before the lease is
    over. One that has cut us off is taken back after half of the lease if that is long enough for the slowest link:
    then we can be back before the lease is over. In a shorter lease it may be the lease's end that takes all back.
    """
    slowest_s = LATEST_BACK_S + CONNECT_S
    return min(CONFIRM_S, max(lease_s / 2, min(slowest_s, lease_s * _LEASE_SHARE)))


def longest_pause_s(lease_s: float, *, may_hold: bool) -> float:
    """The longest pause between two tries to reach a lost host, seconds; `may_hold`: it may still wait for us."""
    return min(LONGEST_PAUSE_S, lease_s / PAUSES_PER_LEASE) if may_hold else LONGEST_PAUSE_S


def min_for_change_s(back_s: float) -> float:
    """The least lease for a change of SSH's own interface, whose link is back after `back_s`."""
    return math.ceil(10 * (back_s + CONNECT_S) / _LEASE_SHARE) / 10


def min_for_flood_s() -> float:
    """The least lease with which datagrams get through traffic that leaves SSH no room."""
    datagrams = math.ceil(math.log(LEASE_LOST_ODDS) / math.log(FLOOD_LOSS_RATIO))
    return float(math.ceil(UNANSWERED_S + datagrams * OFTENEST_S))


def is_flood(cell: Cell, rate_bit_s: float | None) -> bool:
    """Whether the cell's traffic may fill a link of this rate: UDP as fast as it goes, or up to the link's rate."""
    offered = cell.traffic["intended_load"]
    if cell.traffic["transport"] != "udp":
        return False
    if offered is None or "search" in offered:
        return True
    return offered.get("link_share", 0.0) >= 1 or bool(rate_bit_s and offered.get("bit_s", 0.0) >= rate_bit_s)


def needs(
    found: Iterable[Cell], links: Mapping[str, tuple[tuple[tuple[str, str], ...], float | None]], costly: Iterable[str]
) -> Iterator[Need]:
    """What of these cells, done at an interface that SSH runs over, needs how long a lease; the same one only once.

    `links`: name -> its ends (host, interface as the plan names it) and rate in bit/s; `costly`: settings whose change
    drops the link.
    """
    told, costly = set(), frozenset(costly)
    for cell in found:
        for use in cell.settings:
            if use.selector and use.setting != COMMAND:
                told.add(_for_change(use, drops_link=use.setting in costly))
        for ends, rate_bit_s in (links[name] for name in cell.links):
            if is_flood(cell, rate_bit_s):
                told |= {
                    Need(host, selector, "UDP as fast as it goes", min_for_flood_s(), min_for_flood_s())
                    for host, selector in ends
                }
    yield from sorted(told, key=lambda need: (-need.min_s, need.host, need.selector, need.what))


def _for_change(use: SettingUse, *, drops_link: bool) -> Need:
    soonest_s, latest_s = (SOONEST_BACK_S, LATEST_BACK_S) if drops_link else (0.0, 0.0)
    return Need(
        use.host,
        use.selector,
        f"a change of {use.setting}",
        min_for_change_s(soonest_s),
        min_for_change_s(latest_s),
    )


def too_short(lease_s: float, wanted: Iterable[Need], shared: Callable[[Need], bool]) -> Need | None:
    """The need that this lease falls short of most, of those where SSH shares the interface."""
    return next((need for need in wanted if need.min_s > lease_s and shared(need)), None)


def sentence(need: Need, lease_s: float, where: str) -> str:
    """Why a lease is too short; `where` is the interface as it is called there."""
    return (
        f"SSH reaches {need.host} over {where}, where the plan has {need.what}: nothing may be heard of us there "
        f"for longer than a lease of {format_as(DURATION, lease_s)}, after which the host restores itself"
    )


def remedy(need: Need) -> str:
    """What to do about it."""
    return (
        f"write lease: {format_as(DURATION, need.min_s)} or more, or let SSH reach {need.host} over another interface"
    )


def needs_of(plan: Plan, found: Iterable[Cell]) -> list[Need]:
    """`needs` of a plan's cells."""
    return list(
        needs(
            found,
            {name: (tuple(end.pair for end in link.ends), link.rate_bit_s) for name, link in plan.links.items()},
            plan.costly,
        )
    )


def check_lease(document: Document, plan: Plan) -> None:
    """A lease that is too short where the plan itself says that SSH goes to an end's own address."""
    known = {
        (end.host, end.selector)
        for link in plan.links.values()
        if link.addresses
        for end, address in zip(link.ends, link.addresses.pair, strict=True)
        if plan.hosts[end.host].ssh == address
    }
    need = too_short(plan.lease_s, needs_of(plan, cells(plan)), lambda need: (need.host, need.selector) in known)
    if need is not None:
        document.report(("lease",), "clash", sentence(need, plan.lease_s, need.selector), remedy(need), key=True)
