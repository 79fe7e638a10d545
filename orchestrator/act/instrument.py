"""The instrument's self-test on a host: the traffic pair against itself over the loopback interface.

A cell that comes near it is limited by the generator, not by the link; without it nobody believes a slow result.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Sequence

from orchestrator.act.clocks import lead_s, read_clock
from orchestrator.act.path_proof import wait_for_stage
from orchestrator.act.session import HostSession, Job
from orchestrator.act.supervised import all_of, raise_own
from orchestrator.faults import HostError
from orchestrator.planning.traffic import DEFAULTS

WINDOW_S, WARMUP_S = 0.25, 0.15
TIMEOUT_S = 15.0
LOOPBACK = {"interface": "lo", "local": "127.0.0.1", "peer": "127.0.0.1", "family": 4, "mtu": 9000}
DATAGRAM_BYTES = 8972  # as large as jumbo frames carry: the ceiling of the pair, not of small packets


async def self_test(session: HostSession, transports: Sequence[str], ports: Sequence[int]) -> dict[str, float]:
    """Transport -> payload bit/s that the pair reaches over loopback; a transport that fails there is left out."""
    found: dict[str, float] = {}
    for transport in transports:
        try:
            found[transport] = await _measure(session, transport, ports)
        except HostError as error:
            if error.code in ("lost", "noise", "silent"):
                raise
    return found


async def _measure(session: HostSession, transport: str, ports: Sequence[int]) -> float:
    flow = {
        **DEFAULTS,
        "way": "transmit",
        "transport": transport,
        "intended_load_bit_s": None,
        "datagram_bytes": DATAGRAM_BYTES,
    }
    args = {
        **LOOPBACK,
        "token": secrets.token_hex(32),
        "ports": list(ports[:4]),
        "flows": [flow],
        "rate_bit_s": None,
        "watch_s": 1.0,
        "round_trip": False,
        "timeout_s": TIMEOUT_S,
    }
    serve = session.start("traffic.serve", args, timeout_s=TIMEOUT_S)
    jobs: list[Job] = [serve]
    try:
        await wait_for_stage(serve, "listening", TIMEOUT_S)
        jobs.append(session.start("traffic.dial", args, timeout_s=TIMEOUT_S))
        await all_of(*(wait_for_stage(job, "connected", TIMEOUT_S) for job in jobs))
        clock = await read_clock(session)
        start_ns = clock.host_ns(asyncio.get_running_loop().time() + lead_s([clock]))
        window_from_ns = start_ns + round(WARMUP_S * 1e9)
        window = {
            "start_ns": start_ns,
            "window_from_ns": window_from_ns,
            "window_to_ns": window_from_ns + round(WINDOW_S * 1e9),
        }
        await all_of(*(job.tell(window) for job in jobs))
        served, _ = await all_of(*(job.result() for job in jobs))
    except BaseException:
        raise_own(*await asyncio.gather(*(job.cancel() for job in jobs), return_exceptions=True))
        raise
    part = next(part for part in served["parts"] if part["part"] == "receive")
    return float(part["goodput_bytes"]) * 8 / float(part["window_s"])
