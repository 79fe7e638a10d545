"""The path proof between two hosts: one listens, the other asks, their receipts are laid together."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from orchestrator.act.session import HostSession, Job
from orchestrator.act.supervised import all_of
from orchestrator.decide.links.path_causes import EndSeen, explained
from orchestrator.decide.links.path_verdict import path_verdict
from orchestrator.decide.shapes.path import PathProofEnd, Surroundings
from orchestrator.decide.shapes.record import PathResult
from orchestrator.faults import HostError

_LISTENING_TIMEOUT_S = 15.0
_LOOK_TIMEOUT_S = 10.0
_PROOF_TIMEOUT_S = 30.0  # for the large frames, once a small one has passed


@dataclass(frozen=True)
class PathEnd:
    """One end: a session to its host, its interface and the address on it."""

    session: HostSession
    interface: str
    address: str
    host: str = ""


async def prove_path(
    first: PathEnd,
    second: PathEnd,
    *,
    family: int,
    port: int,
    mtu: int,
    small_timeout_s: float,
    follow: Callable[[Job], Awaitable[PathProofEnd]] | None = None,
) -> PathResult:
    """The verdict on a path for frames of `mtu` bytes, each direction alone; raises HostError.

    A small frame is waited for `small_timeout_s` at most. `follow` takes the asking job and gives its result, for a
    caller that wants to hear how it goes.
    """
    shared = {
        "token": secrets.token_hex(32),
        "family": family,
        "port": port,
        "mtu": mtu,
        "small_first_timeout_s": small_timeout_s,
    }
    timeout_s = small_timeout_s + _PROOF_TIMEOUT_S
    answer = second.session.start(
        "path.answer",
        {**shared, "interface": second.interface, "local": second.address, "peer": first.address},
        timeout_s=timeout_s,
    )
    try:
        await wait_for_stage(answer, "listening", _LISTENING_TIMEOUT_S)
        probe = first.session.start(
            "path.probe",
            {**shared, "interface": first.interface, "local": first.address, "peer": second.address},
            timeout_s=timeout_s,
        )
        mine: PathProofEnd = await (follow(probe) if follow else probe.result())
        await answer.tell({"done": True})
        theirs: PathProofEnd = await answer.result()
    except BaseException:
        await answer.cancel()
        raise
    verdict = path_verdict(mine, theirs)
    if verdict["verdict"] == "open":
        return verdict
    seen = await all_of(_looked_around(first, second), _looked_around(second, first))
    verdict["sentence"], verdict["around"] = explained(verdict, *seen), [each.around for each in seen]
    return verdict


async def _looked_around(end: PathEnd, other: PathEnd) -> EndSeen:
    """What an end of a path that does not carry sees; nothing where its session has gone."""
    around: Surroundings | None = None
    with contextlib.suppress(HostError):
        around = await end.session.request(
            "path.surroundings", {"interface": end.interface, "peer": other.address}, timeout_s=_LOOK_TIMEOUT_S
        )
    return EndSeen(end.host, end.interface, end.address, around)


async def wait_for_stage(job: Job, stage: str, timeout_s: float) -> None:
    """Wait until a job says that it has come so far."""
    while True:
        if (await job.event(timeout_s)).get("stage") == stage:
            return
