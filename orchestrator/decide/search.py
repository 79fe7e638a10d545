"""The throughput search (RFC 2544 s26.1) over a cell: from its rules to what its trials gave. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.decide.shapes.record import SearchStep
from orchestrator.decide.traffic_args import LinkFacts, datagram_size
from orchestrator.faults import LinkError
from orchestrator.metrics.throughput_search import SearchRules, SearchTrial, Throughput
from orchestrator.planning.cells import Cell
from orchestrator.wire.ceiling import share_to_payload_rate

SHORT_S = 1.0  # a step of the search; the rate found is confirmed over the trial's full length


def is_search(cell: Cell) -> bool:
    """Whether the cell asks for the highest rate without loss instead of naming a rate."""
    return bool((cell.traffic["intended_load"] or {}).get("search"))


def search_rules(cell: Cell, facts: LinkFacts, full_s: float) -> SearchRules:
    """How to search this cell; LinkError when nobody knows the link's rate."""
    if facts.rate_bit_s is None:
        raise LinkError(
            "rate_unknown",
            "the search begins at the link's full frame rate, which neither end reports",
            next_step="give the link a rate in the plan: rate: 1Gbit/s",
        )
    highest = share_to_payload_rate(1.0, facts.rate_bit_s, facts.mtu, facts.family, payload=datagram_size(cell, facts))
    return SearchRules(
        highest,
        loss_ratio_limit=float(cell.traffic["loss_ratio_limit"] or 0.0),
        short_s=min(SHORT_S, full_s),
        full_s=full_s,
    )


def searched(step: SearchStep) -> SearchTrial:
    """What one step gave, over both ways together; the lesser intended load (RFC 2544 s14)."""
    parts = [part for end in (step["first"], step["second"]) for part in end["parts"]]
    sent = [part for part in parts if part["part"] == "send"]
    received = [part for part in parts if part["part"] == "receive"]
    offered = [
        part["window_sent_bytes"] * 8 / other["window_s"]
        for part in sent
        for other in received
        if other["way"] == part["way"]
    ]
    # What the own queue refused was handed over and lost, as in the row: no throughput without loss.
    handed_over = sum(part["datagrams_sent"] + int(part.get("datagrams_refused") or 0) for part in sent)
    arrived = min(sum(part["datagrams_received"] for part in received), handed_over)
    return SearchTrial(step["intended_load_bit_s"], min(offered), handed_over, arrived, step["full_length"])


def confirming_step(steps: Sequence[SearchStep], answer: Throughput) -> SearchStep | None:
    """The full-length step whose rate is the answer; None when no rate was confirmed."""
    if answer.rate_bit_s is None:
        return None
    return next(
        (
            step
            for step in reversed(steps)
            if step["full_length"] and searched(step).offered_load_bit_s == answer.rate_bit_s
        ),
        None,
    )
