"""What a traffic job is told in tests that need a pair and no network."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from orchestrator.onhost.traffic.flows import Pair, read_args

FIRST_PORT = 20000


def pair_over_lo(flows: Sequence[Any], ports: int = 1, *, serving: bool = True) -> Pair:
    """The serving end (or the dialling one) of flows between two loopback addresses, with that many ports."""
    return read_args(
        {
            "token": "00" * 32,
            "interface": "lo",
            "local": "127.0.0.1",
            "peer": "127.0.0.2",
            "family": 4,
            "ports": list(range(FIRST_PORT, FIRST_PORT + ports)),
            "flows": list(flows),
            "mtu": 1500,
        },
        serving=serving,
    )
