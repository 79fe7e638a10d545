"""How a run leaves each host: the one place that says whether it was verified as found, on every exit code. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from orchestrator.decide.as_found.stays import Difference, accepted, as_lines, remaining
from orchestrator.decide.ending import runs_changed
from orchestrator.decide.state import HostState, RunState

How = Literal["unchanged", "restored", "left", "restart", "lease", "unseen"]


@dataclass(frozen=True)
class HostEnd:
    """One host at a run's end. `stays`: what is still changed there, `kept`: what its owner keeps so, each in words."""

    host: str
    verified: bool
    how: How
    words: str
    stays: tuple[Difference, ...] = ()
    kept: tuple[Difference, ...] = ()

    @property
    def lines(self) -> list[str]:
        """The host's state, and below it each thing that differs with the command for it; bounded."""
        kept = [
            f"    {one.what} on {self.host}: {one.now} from now on ({one.before} before the run)" for one in self.kept
        ]
        return [f"{self.host}: {self.words}", *(f"    {line}" for line in as_lines(self.host, self.stays)), *kept]


def host_ends(state: RunState) -> list[HostEnd]:
    """Every host of the run, in the plan's order."""
    return [_host_end(state, name) for name in state.hosts]


def _host_end(state: RunState, name: str) -> HostEnd:
    host = state.hosts[name]
    if host.as_found and not runs_changed(host):
        return _restored(host, name) if host.restored is not None else _untouched(host, name)
    if host.as_found:
        return HostEnd(
            name,
            False,
            "restart",
            "NOT verified as found: its settings are restored, but it runs with "
            "what a trial started it with until it is restarted",
        )
    stays, unknown = _stays(host)
    if unknown:
        return HostEnd(name, False, "unseen", f"NOT verified as found: {unknown}; {_by_itself(state)}")
    if stays:
        return HostEnd(name, False, "left", "NOT verified as found:", stays)
    if state.hurry:
        return HostEnd(name, False, "lease", f"NOT verified as found: left to its lease; {_by_itself(state)}")
    why = str((host.fault or {}).get("message") or "the run broke off").removeprefix(f"{name}: ")
    return HostEnd(name, False, "unseen", f"NOT verified as found: {why}; {_by_itself(state)}")


def _restored(host: HostState, name: str) -> HostEnd:
    kept = tuple(accepted(host.restored or {}))
    but = ", but for what its owner keeps:" if kept else ""
    return HostEnd(name, True, "restored", f"restored and verified as found{but}", kept=kept)


def _untouched(host: HostState, name: str) -> HostEnd:
    if host.ours:  # changed by an earlier process of the run, which has verified it
        return HostEnd(name, True, "restored", "as found, verified before; nothing was changed on it since")
    return HostEnd(name, True, "unchanged", "as found; nothing was changed on it")


def _stays(host: HostState) -> tuple[tuple[Difference, ...], str]:
    """(what is still changed; why nobody knows, where the host could not be asked)."""
    result = host.restored or {}
    found = (*result.get("left", []), *result.get("conflicts", []))
    unknown = "; ".join(str(item.get("why", "")) for item in found if not item.get("setting"))
    return (() if unknown else tuple(remaining(result))), unknown


def _by_itself(state: RunState) -> str:
    return f"it restores itself within {state.setup.lease_s:.0f} s of the last word from here"
