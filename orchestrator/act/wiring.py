"""The wiring proof: every host listens on all its interfaces while the ends of the links call, one after the other."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence

from orchestrator.act.path_proof import wait_for_stage
from orchestrator.act.session import HostSession
from orchestrator.act.supervised import all_of
from orchestrator.decide.findings import End, LinkNeed, Wire, wiring_findings
from orchestrator.faults import HostError

_LISTEN_TIMEOUT_S = 30.0
_STAGE_TIMEOUT_S = 10.0


async def wired_elsewhere(
    link: str, sessions: Mapping[str, HostSession], ends: tuple[End, End], indexes: Mapping[End, int]
) -> str:
    """Where the frames of a silent link's ends arrive instead, in words; "" when nobody can tell, as without root."""
    try:
        wires = await prove_wiring({host: sessions[host] for host, _ in ends}, ends, indexes)
    except HostError:
        return ""
    return "; ".join(finding.seen for finding in wiring_findings(wires, [LinkNeed(link, ends)]))


async def prove_wiring(
    sessions: Mapping[str, HostSession], ends: Sequence[End], indexes: Mapping[End, int]
) -> list[Wire]:
    """Which interface of which host hears each of `ends` ((host, interface)); raises HostError, for want of root too.

    `indexes` has the kernel's number of each end's interface. A host's own other interfaces count as well: two cards of
    one host on one switch hear each other.
    """
    token, names = secrets.token_hex(32), list(sessions)
    jobs = {
        name: sessions[name].start(
            "wiring.listen",
            {"token": token, "timeout_s": _LISTEN_TIMEOUT_S},
            timeout_s=_LISTEN_TIMEOUT_S + _STAGE_TIMEOUT_S,
        )
        for name in names
    }
    try:
        for job in jobs.values():
            await wait_for_stage(job, "listening", _STAGE_TIMEOUT_S)
        for host, interface in ends:
            await sessions[host].request(
                "wiring.call", {"token": token, "number": names.index(host), "interface": interface}
            )
        for job in jobs.values():
            await job.tell({"done": True})
        heard = dict(zip(jobs, await all_of(*(job.result() for job in jobs.values())), strict=True))
    except BaseException:
        for job in jobs.values():
            await job.cancel()
        raise
    callers = {(names.index(host), indexes[host, interface]): (host, interface) for host, interface in ends}
    wires = [
        Wire(callers[number, index], (host, on))
        for host, answer in heard.items()
        for number, index, on in answer["heard"]
        if (number, index) in callers
    ]
    order = list(dict.fromkeys([*(host for host, _ in ends), *names]))  # whoever answered or was heard first
    return sorted(wires, key=lambda wire: (order.index(wire.hearer[0]), wire.hearer[1], ends.index(wire.caller)))
