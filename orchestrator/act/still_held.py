"""Asking hosts whether they still wait for us, which renews their leases."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from orchestrator.act.session import HostSession
from orchestrator.act.supervised import all_of
from orchestrator.faults import HostError

LOCKED_TIMEOUT_S = 60.0  # a watchdog at work, with one driver that is stuck


async def still_held(held: Iterable[tuple[HostSession, int]], lease_s: float) -> None:
    """HostError "expired" or "no_lease" of the first host whose lease (session, token) is not ours any more."""
    await all_of(*(_renewed(session, {"token": token, "lease_s": lease_s}) for session, token in held))


async def _renewed(session: HostSession, wanted: dict[str, float]) -> None:
    """Renew, and wait for a host's lock: its watchdog may be restoring it at this very moment."""
    clock = asyncio.get_running_loop().time
    until = clock() + LOCKED_TIMEOUT_S
    while True:
        try:
            await session.request("lease.renew", wanted, timeout_s=30.0)
            return
        except HostError as error:
            if error.code != "locked" or clock() > until:
                raise
        await asyncio.sleep(1.0)
