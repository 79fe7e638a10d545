"""Putting one host back after a run that ended badly: from the host's own record first, else from the journal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from orchestrator.act.actions import Same, same_value
from orchestrator.act.session import HostSession
from orchestrator.faults import HostError

Json = dict[str, Any]
BOUND_S = 120.0
LOCK_PATIENCE_S = 150.0  # a keeper gives each place up to two bounds of 60 s, and one stuck driver is common enough
PAUSE_S = 1.0
LEASE_S = 60.0  # for the moment of putting back from the journal


@dataclass
class Recovered:
    """What was found on a host and what became of it. `source`: record, journal, or nothing."""

    host: str
    source: str = "nothing"
    restored: list[Json] = field(default_factory=list)
    left: list[Json] = field(default_factory=list)
    conflicts: list[Json] = field(default_factory=list)
    differences: Json = field(default_factory=dict)

    @property
    def as_found(self) -> bool:
        """Nothing that the run changed is still changed."""
        return not self.left and not self.conflicts

    def as_result(self) -> Json:
        """The same as a Restored event holds it."""
        return {"restored": self.restored, "left": self.left, "conflicts": self.conflicts,
                "differences": self.differences, "source": self.source}


async def recover_host(name: str, connect: Callable[[str], Awaitable[HostSession]], run_id: str,
                       known: Sequence[Json], same: Same = same_value) -> Recovered:
    """Recover one host. `known` is what the journal knows of changed places (decide.state.known_before); may be empty.

    Harmless to repeat. `run_id` "" recovers whatever ended run left something on the host. Raises HostError.
    """
    session = await connect(name)
    try:
        answer = await _once_free(session, run_id)
        if answer["found"] is None:
            return await _from_journal(name, session, run_id, known, same)
        recorded = Recovered(name, "record", answer["restored"], answer["left"], answer["conflicts"],
                             answer["compared"] or {})
        if not recorded.as_found:
            return recorded
        # The record may be that of an earlier recovery, which had not come to what only the journal knows.
        rest = await _from_journal(name, session, run_id, known, same)
        return recorded if rest.source == "nothing" else rest
    finally:
        await session.close()


async def _once_free(session: HostSession, run_id: str) -> Json:
    """The host's answer, asked again while something on it has not ended: its keeper, or a change of the dead run."""
    clock = asyncio.get_running_loop().time
    until = clock() + LOCK_PATIENCE_S
    while True:
        try:
            return await session.request("recover", {"run_id": run_id}, bound_s=BOUND_S)
        except HostError as error:
            if error.code != "locked":
                raise
            if clock() >= until:
                error.next_step = error.next_step or ("look at that process on the host (ps, /proc/PID/stack), end it "
                                                      "if it hangs, and recover again")
                raise
            await asyncio.sleep(PAUSE_S)  # the host itself has waited for a good while before it said so


async def _from_journal(name: str, session: HostSession, run_id: str, known: Sequence[Json],
                        same: Same) -> Recovered:
    """The host knows nothing: it was released, or restarted. What still reads otherwise than before is put back."""
    if not known:
        return Recovered(name)
    places = [{key: item[key] for key in ("setting", "target", "level")} for item in known]
    now = (await session.request("read", {"places": places}, bound_s=BOUND_S))["places"]
    differing = [item for item, seen in zip(known, now, strict=True) if not same(seen, item["value"])]
    if not differing:
        return Recovered(name)
    taken = await session.request("lease.take", {"run_id": run_id, "holder": "recover", "lease_s": LEASE_S},
                                  bound_s=BOUND_S)
    token = {"token": taken["token"]}
    await session.request("adopt", {**token, "before": differing}, bound_s=BOUND_S)
    result = await session.request("restore", token, bound_s=BOUND_S)
    if not result["left"] and not result["conflicts"]:
        await session.request("lease.release", token, bound_s=BOUND_S)
    return Recovered(name, "journal", result["restored"], result["left"], result["conflicts"])
