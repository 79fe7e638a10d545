"""How a run leaves each host: the one place that says whether it was verified as found, on every exit code. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from orchestrator.decide.ending import runs_changed
from orchestrator.decide.setup import longest_lease_s
from orchestrator.decide.state import HostState, RunState

How = Literal["unchanged", "restored", "left", "restart", "lease", "unseen"]


@dataclass(frozen=True)
class HostEnd:
    """One host at a run's end. `stays`: what is still changed there, each with before, now and the command for it."""

    host: str
    verified: bool
    how: How
    words: str
    stays: tuple[dict[str, Any], ...] = ()


def host_ends(state: RunState) -> list[HostEnd]:
    """Every host of the run, in the plan's order."""
    return [_host_end(state, name) for name in state.hosts]


def _host_end(state: RunState, name: str) -> HostEnd:
    host = state.hosts[name]
    if host.as_found and not runs_changed(host):
        return _restored(name) if host.restored is not None else _untouched(host, name)
    if host.as_found:
        return HostEnd(name, False, "restart", "NOT verified as found: its settings are restored, but it runs with "
                       "what a trial started it with until it is restarted")
    stays, unknown = _stays(host)
    if unknown:
        return HostEnd(name, False, "unseen", f"NOT verified as found: {unknown}; {_by_itself(state)}")
    if stays:
        return HostEnd(name, False, "left", "NOT verified as found:", stays)
    if state.hurry:
        return HostEnd(name, False, "lease", f"NOT verified as found: left to its lease; {_by_itself(state)}")
    why = str((host.fault or {}).get("message") or "the run broke off").removeprefix(f"{name}: ")
    return HostEnd(name, False, "unseen", f"NOT verified as found: {why}; {_by_itself(state)}")


def _restored(name: str) -> HostEnd:
    return HostEnd(name, True, "restored", "restored and verified as found")


def _untouched(host: HostState, name: str) -> HostEnd:
    if host.ours:  # changed by an earlier process of the run, which has verified it
        return HostEnd(name, True, "restored", "as found, verified before; nothing was changed on it since")
    return HostEnd(name, True, "unchanged", "as found; nothing was changed on it")


def _stays(host: HostState) -> tuple[tuple[dict[str, Any], ...], str]:
    """(what is still changed; why nobody knows, where the host could not be asked)."""
    result = host.restored or {}
    found = (*result.get("left", []), *result.get("conflicts", []))
    unknown = "; ".join(str(item.get("why", "")) for item in found if not item.get("setting"))
    return tuple(item for item in found if item.get("setting")), unknown


def _by_itself(state: RunState) -> str:
    return f"it restores itself within {longest_lease_s(state.setup):.0f} s of the last word from here"
