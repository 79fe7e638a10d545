"""Which ports each link listens on where several end at one interface: its own share, the same in every run. Pure.

Sockets are bound to interface and address, so only links that end at the same interface of a host can be in each
other's way. Their ports are divided: each link is given what a trial needs first, lowest ports first, the link whose
range ends soonest before the others (earliest deadline first, which finds a division wherever there is one); what is
left goes to whoever has least.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Listening:
    """A link as far as ports go: its ports, ascending, and the ends (host, selector) it has."""

    ports: tuple[int, ...]
    ends: tuple[tuple[str, str], ...]


def divided(links: Mapping[str, Listening], needed: int) -> dict[str, tuple[int, ...]]:
    """Link -> the ports that are its own while all of these run at once, each in need of `needed`.

    A link may be left with fewer than it needs: then there is no division (`planning/consistency.py` refuses it).
    """
    shares: dict[str, list[int]] = {name: [] for name in links}
    for group in _groups(links):
        for port in sorted({port for name in group for port in links[name].ports}):
            having = [name for name in group if port in links[name].ports]
            short = [name for name in having if len(shares[name]) < needed]
            shares[
                min(short, key=lambda name: links[name].ports[-1])
                if short
                else min(having, key=lambda name: len(shares[name]))
            ].append(port)
    return {name: tuple(ports) for name, ports in shares.items()}


def _groups(links: Mapping[str, Listening]) -> list[list[str]]:
    """The links that may end at one interface, directly or by way of others; in the plan's order."""
    groups: list[list[str]] = []
    for name in links:
        near = [group for group in groups if any(meet(links[name], links[other]) for other in group)]
        merged = [*(other for group in near for other in group), name]
        groups = [*(group for group in groups if group not in near), merged]
    return groups


def meet(one: Listening, other: Listening) -> bool:
    """Whether two links may end at the same interface: two plain names that differ are two interfaces."""
    return any(
        host == far_host and not (selector != far_selector and ":" not in selector + far_selector)
        for host, selector in one.ends
        for far_host, far_selector in other.ends
    )


def ranges_that_would_do(names: Sequence[str], needed: int, first: int) -> dict[str, str]:
    """Link -> a range of its own, one behind the other from `first` on, or ending at the last port there is."""
    first = min(first, 65536 - needed * len(names))
    return {name: f"{first + at * needed}-{first + (at + 1) * needed - 1}" for at, name in enumerate(names)}
