"""Restoring one host after a run that ended badly: from the host's own record first, else from the journal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace

from orchestrator.act.session import HostSession
from orchestrator.decide.as_found.stays import is_as_found
from orchestrator.decide.restarting.power import NO_LIFE, START_BY_HAND
from orchestrator.decide.shapes.uses import Differences, KnownPlace, Reading, RestoreResult, Stay, Where
from orchestrator.faults import Fault, HostError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.stored import Json

Connect = Callable[[str], Awaitable[HostSession]]
Same = Callable[[Reading, object], bool]
TIMEOUT_S = 180.0  # as for a restore
LOCK_PATIENCE_S = 150.0  # a watchdog may be at it for so long, and one stuck driver is common enough
PAUSE_S = 1.0
RESTART_TIMEOUT_S, RESTART_PAUSE_S = 600.0, 2.0
LEASE_S = 60.0  # for the moment of restoring from the journal


@dataclass
class Recovered:
    """What was found on a host and what became of it. `source`: record, journal, or nothing."""

    host: str
    source: str = "nothing"
    restored: list[Where] = field(default_factory=list)
    left: list[Stay] = field(default_factory=list)
    conflicts: list[Stay] = field(default_factory=list)
    differences: Differences = field(default_factory=Differences)
    restart: list[Stay] = field(default_factory=list)  # places whose first value is back, but only for the next start
    restarted: bool = False
    accepted: list[Stay] = field(default_factory=list)  # what its owner keeps, although it is not as it was found

    @property
    def as_found(self) -> bool:
        """Nothing that the run changed is still changed, or else its owner keeps it; and the host runs as it did."""
        return is_as_found(self.as_result()) and not self.restart

    def as_result(self) -> RestoreResult:
        """The same as a Restored event holds it."""
        return {
            "restored": self.restored,
            "left": self.left,
            "conflicts": self.conflicts,
            "differences": self.differences,
            "source": self.source,
            "restart": self.restart,
            **({"accepted": self.accepted} if self.accepted else {}),
        }

    def kept(self) -> Recovered:
        """The same once its owner has said that what differs is to stay."""
        touched = self.differences.get("touched") or []
        return replace(
            self,
            left=[],
            conflicts=[],
            accepted=[*self.left, *self.conflicts, *touched],
            differences={**self.differences, "touched": []},
        )


def same_value(seen: Reading, before: object) -> bool:
    """Whether a place reads as before, as its setting understands it: some values hold what counts on by itself.

    What takes a restart is as before only once the host has been started so.
    """
    setting = CATALOGUE[seen["setting"]]
    try:
        return bool(setting.same(before, seen["value"])) and not setting.restart_due(before, seen["value"])
    except (TypeError, ValueError, LookupError, AttributeError):  # a value that its setting never has is not the same
        return False


def result_of(outcome: Recovered | Fault) -> RestoreResult:
    """As a Restored event holds it; a host that could not be asked is not as found, whatever is on it."""
    if isinstance(outcome, Recovered):
        return outcome.as_result()
    unknown: Stay = {
        "setting": "",
        "target": "",
        "before": None,
        "now": None,
        "why": f"recover: {outcome.message}",
        "command": "",
    }
    return {"restored": [], "left": [unknown], "conflicts": [], "differences": {}, "source": "nothing", "restart": []}


async def recover_host(
    name: str,
    connect: Connect,
    run_id: str,
    known: Sequence[KnownPlace],
    same: Same = same_value,
    *,
    accept: bool = False,
) -> Recovered:
    """Recover one host. `known` is what the journal knows of changed places (decide.state.known_before); may be empty.

    Harmless to repeat. `run_id` "" recovers whatever ended run left something on the host. With `accept` what is found
    changed by others, or cannot be restored, stays: the host's owner has said so. Raises HostError.
    """
    found = await _restored(name, connect, run_id, known, same)
    if accept and not is_as_found(found.as_result()):
        found = await _accept(name, connect, run_id)
    if found.restart and is_as_found(found.as_result()):
        await restart_host(name, connect, run_id, found.restart)
        found.restarted, found.restart = True, []
    return found


async def _accept(name: str, connect: Connect, run_id: str) -> Recovered:
    """End the host's record with what differs now as what is to stay; the host looks itself whether that is so."""
    session = await connect(name)
    try:
        answer = await _once_free(session, run_id)
        if answer["found"] is None or not answer["mark"]:
            return _recorded(name, answer)
        await session.request("recover", {"run_id": run_id, "accept": answer["mark"]}, timeout_s=TIMEOUT_S)
        return _recorded(name, answer).kept()
    finally:
        await session.close()


def _recorded(name: str, answer: Json) -> Recovered:
    """What a host's own record came to."""
    return Recovered(
        name,
        "record",
        answer["restored"],
        answer["left"],
        answer["conflicts"],
        answer["compared"] or {},
        restart=answer.get("restart") or [],
    )


async def _restored(name: str, connect: Connect, run_id: str, known: Sequence[KnownPlace], same: Same) -> Recovered:
    session = await connect(name)
    try:
        answer = await _once_free(session, run_id)
        if answer["found"] is None:
            return await _from_journal(name, session, run_id, known, same)
        recorded = _recorded(name, answer)
        if not recorded.as_found:
            return recorded
        # The record may be that of an earlier recovery, which had not come to what only the journal knows.
        rest = await _from_journal(name, session, run_id, known, same)
        return recorded if rest.source == "nothing" else rest
    finally:
        await session.close()


async def _once_free(session: HostSession, run_id: str) -> Json:
    """The host's answer, asked again while something on it has not ended: its watchdog, or a change of the dead run."""
    clock = asyncio.get_running_loop().time
    until = clock() + LOCK_PATIENCE_S
    while True:
        try:
            answer: Json = await session.request("recover", {"run_id": run_id}, timeout_s=TIMEOUT_S)
            return answer
        except HostError as error:
            if error.code != "locked":
                raise
            if clock() >= until:
                error.next_step = error.next_step or (
                    "look at that process on the host (ps, /proc/PID/stack), end it if it hangs, and recover again"
                )
                raise
            await asyncio.sleep(PAUSE_S)  # the host itself has waited for a good while before it said so


async def _from_journal(
    name: str, session: HostSession, run_id: str, known: Sequence[KnownPlace], same: Same
) -> Recovered:
    """The host knows nothing: it was released, or restarted. What still reads otherwise than before is restored."""
    if not known:
        return Recovered(name)
    places = [{key: item[key] for key in ("setting", "target", "level")} for item in known]
    now = (await session.request("read", {"places": places}, timeout_s=TIMEOUT_S))["places"]
    differing = [item for item, seen in zip(known, now, strict=True) if not same(seen, item["value"])]
    if not differing:
        return Recovered(name)
    taken = await session.request(
        "lease.acquire", {"run_id": run_id, "holder": "recover", "lease_s": LEASE_S}, timeout_s=TIMEOUT_S
    )
    token = {"token": taken["token"]}
    await session.request("adopt", {**token, "before": differing}, timeout_s=TIMEOUT_S)
    result = await session.request("restore", token, timeout_s=TIMEOUT_S)
    if not result["left"] and not result["conflicts"]:
        await session.request("lease.release", token, timeout_s=TIMEOUT_S)
    return Recovered(
        name, "journal", result["restored"], result["left"], result["conflicts"], restart=result.get("restart") or []
    )


async def restart_host(
    name: str, connect: Connect, run_id: str, places: Sequence[Stay], timeout_s: float = RESTART_TIMEOUT_S
) -> None:
    """Have a host restart, whose boot files are as found, so that it runs so too; HostError when it is not back."""
    session = await connect(name)
    try:
        taken = await session.request(
            "lease.acquire",
            {"run_id": run_id or "recover", "holder": "recover", "lease_s": LEASE_S},
            timeout_s=TIMEOUT_S,
        )
        token = {"token": taken["token"]}
        await session.request("prepare", {**token, "interfaces": [], "places": list(places)}, timeout_s=TIMEOUT_S)
        boot = (await session.request("facts", {}, timeout_s=TIMEOUT_S))["boot_id"]
        try:
            await session.request("restart", token, timeout_s=TIMEOUT_S)
        except HostError as error:
            if error.code not in NO_LIFE:  # the answer may be lost with the session; a refusal is one
                raise
    finally:
        await session.close()
    clock = asyncio.get_running_loop().time
    until = clock() + timeout_s
    while not await _runs_anew(name, connect, boot):
        if clock() > until:
            raise HostError(
                "no_restart",
                f"{name}: was asked to restart, so that it runs as it did before the run, "
                f"and is not back after {timeout_s:g} s",
                host=name,
                next_step=START_BY_HAND,
            )
        await asyncio.sleep(RESTART_PAUSE_S)


async def _runs_anew(name: str, connect: Connect, boot: str) -> bool:
    try:
        session = await connect(name)
    except HostError:
        return False
    try:
        return bool((await session.request("facts", {}, timeout_s=TIMEOUT_S))["boot_id"] != boot)
    except HostError:
        return False
    finally:
        await session.close()
