"""What the two traffic jobs are told, from a cell, its link and the ends' facts. Pure arithmetic."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.record import EndFacts, LinkFactsRecord
from orchestrator.planning.cells import Cell, ports_needed
from orchestrator.planning.order import Trial
from orchestrator.planning.port_shares import Listening, divided
from orchestrator.planning.traffic import DEFAULTS
from orchestrator.stored import Json
from orchestrator.wire.ceiling import share_to_payload_rate
from orchestrator.wire.segments import datagram_payload

WAYS = {"transmit": ("transmit",), "receive": ("receive",), "bidirectional": ("transmit", "receive")}


@dataclass(frozen=True)
class LinkFacts:
    """What a trial knows of its link before traffic: rate in bit/s (None when unknown), family 4 or 6, MTU in bytes."""

    rate_bit_s: float | None
    family: int
    mtu: int
    first: EndFacts
    second: EndFacts

    def as_dict(self) -> LinkFactsRecord:
        """The facts as the trial's record holds them."""
        return {
            "rate_bit_s": self.rate_bit_s,
            "family": self.family,
            "mtu": self.mtu,
            "first": self.first,
            "second": self.second,
        }


def link_rate_bit_s(link: LinkSetup, first: EndFacts, second: EndFacts) -> float | None:
    """The narrowest rate known: the plan's, else the slower of what both interfaces report."""
    if link.rate_bit_s:
        return link.rate_bit_s
    speeds = [speed for end in (first, second) if (speed := end.get("speed_bit_s"))]
    return float(min(speeds)) if speeds else None


def intended_load_bit_s(offered: Mapping[str, float] | None, facts: LinkFacts, datagram_bytes: int) -> float | None:
    """Payload bits per second that a flow is asked to offer; None for as much as goes."""
    if not offered or "search" in offered:
        return None
    if "bit_s" in offered:
        return float(offered["bit_s"])
    if "frames_s" in offered:
        return float(offered["frames_s"]) * datagram_bytes * 8
    if facts.rate_bit_s is None:
        return None
    return share_to_payload_rate(
        float(offered["link_share"]), facts.rate_bit_s, facts.mtu, facts.family, payload=datagram_bytes
    )


def datagram_size(cell: Cell, facts: LinkFacts) -> int:
    """Payload bytes of the cell's datagrams: its own choice, else what fills the MTU."""
    return int(cell.traffic["datagram_bytes"] or datagram_payload(facts.mtu, facts.family))


def ports_for(link: LinkSetup, cell: Cell, trial: Trial, seed: int, at_once: Sequence[LinkSetup]) -> list[int]:
    """As many of the link's ports as the cell needs, drawn from the plan's seed: the same cell has the same ports in
    every run. Of `at_once`, the links that the cell runs on, those that end at the same interface have other ports.
    """
    needed = ports_needed(cell.traffic)
    own = divided({each.name: Listening(each.ports, each.ends) for each in at_once}, needed)[link.name]
    draw = hashlib.blake2b(f"{seed}/{trial.cell}/{trial.replicate}".encode(), digest_size=4).digest()
    start = int.from_bytes(draw, "big") % len(own)
    return list((own[start:] + own[:start])[:needed])


def traffic_args(
    cell: Cell, ports: Sequence[int], facts: LinkFacts, *, token: str, timeout_s: float, asked: float | None = None
) -> tuple[Json, Json]:
    """(arguments of `traffic.dial` on the first end, of `traffic.serve` on the second).

    `ports` are those of `ports_for`, the first of them the path proof's. `asked` (payload bit/s) takes the place of the
    cell's intended load: a search tries one rate after the other.
    """
    traffic = cell.traffic
    ways = WAYS[traffic["direction"]]
    datagram_bytes = datagram_size(cell, facts)
    offered = asked or intended_load_bit_s(traffic["intended_load"], facts, datagram_bytes)
    alike = {name: traffic[name] for name in DEFAULTS}  # a flow runs on one link: `together` is ours
    flows = [{**alike, "way": way, "intended_load_bit_s": offered, "datagram_bytes": datagram_bytes} for way in ways]
    shared = {
        "token": token,
        "family": facts.family,
        "ports": list(ports[1:]),
        "flows": flows,
        "mtu": facts.mtu,
        "rate_bit_s": facts.rate_bit_s,
        "watch_s": 0.2,
        "round_trip": True,
        "timeout_s": timeout_s,
    }
    first, second = facts.first, facts.second
    dial = {**shared, "interface": first["interface"], "local": first["address"], "peer": second["address"]}
    serve = {**shared, "interface": second["interface"], "local": second["address"], "peer": first["address"]}
    return dial, serve
