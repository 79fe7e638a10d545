"""Cells that no host can have, by a standard or by what hosts have told: known before anything is changed. Pure.

`check` asks with what the plan alone says, a run once its hosts have told what they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from orchestrator.planning.cells import Cell
from orchestrator.planning.links import ENDS, SENDERS, other_end
from orchestrator.planning.plan import Plan

LEAST_IPV6_MTU_BYTES = 1280  # RFC 8200 s5

Ends = Mapping[str, Sequence[tuple[str, str]]]  # link -> its two ends as (host, selector)


def why_impossible(
    cell: Cell, ends: Ends, families: Mapping[str, int | None], online_cores: Mapping[str, Sequence[int]]
) -> str:
    """Why this cell cannot be measured, with the source; "" when nothing speaks against it.

    `families` has the IP version of each link's traffic where it is known, `online_cores` the cores of each host.
    """
    return next(_reasons(cell, ends, families, online_cores), "")


def why_impossible_by_plan(plan: Plan, cell: Cell) -> str:
    """The same from the plan alone: the IP version where the cell or the link's addresses name it."""
    stated = {name: link.addresses.version if link.addresses else None for name, link in plan.links.items()}
    families = {name: cell.traffic["ip"] or version for name, version in stated.items()}
    ends = {name: tuple(end.pair for end in link.ends) for name, link in plan.links.items()}
    return why_impossible(cell, ends, families, {})


def small_mtu_at(cell: Cell, end: tuple[str, str]) -> int | None:
    """The MTU that the cell gives an end, where it leaves no room for IPv6; else None."""
    return next(
        (
            int(str(use.level))
            for use in cell.settings
            if use.setting == "mtu" and (use.host, use.selector) == end and int(str(use.level)) < LEAST_IPV6_MTU_BYTES
        ),
        None,
    )


def _reasons(
    cell: Cell, ends: Ends, families: Mapping[str, int | None], online_cores: Mapping[str, Sequence[int]]
) -> Iterator[str]:
    for link in cell.links:
        if families.get(link) == 6:
            for host, selector in ends[link]:
                mtu = small_mtu_at(cell, (host, selector))
                if mtu is not None:
                    yield (
                        f"an MTU of {mtu} at {host} {selector} leaves no room for IPv6, which needs "
                        f"{LEAST_IPV6_MTU_BYTES} bytes on every link (RFC 8200 s5)"
                    )
        yield from _missing_cores(cell, ends[link], online_cores)


def _missing_cores(
    cell: Cell, ends: Sequence[tuple[str, str]], online_cores: Mapping[str, Sequence[int]]
) -> Iterator[str]:
    hosts = {name: host for name, (host, _) in zip(ENDS, ends, strict=True)}
    for sender in SENDERS[cell.traffic["direction"]]:
        for key, end in (("sender_core", sender), ("receiver_core", other_end(sender))):
            core, host = cell.traffic[key], hosts[end]
            cores = online_cores.get(host) or ()
            if core is not None and cores and core not in cores:
                listed = ", ".join(map(str, cores[:16])) + (", ..." if len(cores) > 16 else "")
                yield f"{host} has no core {core} online; those it has: {listed}"
