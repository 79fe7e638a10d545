"""How a run stands, as its folder tells it: for `show`, for a suite's table, for programs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from orchestrator.cli.say import typed
from orchestrator.decide.as_found.host_ends import host_ends
from orchestrator.decide.state import HostState, RunState
from orchestrator.run_files import Folder
from orchestrator.stored import made_of
from orchestrator.words.exit_codes import Exit

LAST_LINES = 5
_RAN_THROUGH = (Exit.COMPLETE, Exit.SOME_NOT_VALID)


def run_view(run: Path) -> dict[str, Any]:
    """What is known of a run; plain data. Reads its folder only."""
    from orchestrator.act.run_folder import state_of

    state = state_of(run)
    with made_of(run):
        return _run_view(run, state)


def _run_view(run: Path, state: RunState) -> dict[str, Any]:
    from orchestrator.act.run_folder import ends_known, is_driven

    code, verified = ends_known(run, state)
    driven = is_driven(run)
    asked = {trial.position for trial in state.schedule if trial.role != "rehearse"}
    finished = [outcome["status"] for position, outcome in state.outcomes.items() if position in asked]
    rehearsed = [outcome["status"] for position, outcome in state.outcomes.items() if position not in asked]
    return {
        "run_id": state.setup.run_id,
        "folder": str(run),
        "exit": code,
        "standing": _standing(code, driven=driven),
        "trials": len(asked),
        "finished": len(finished),
        "statuses": dict(Counter(finished)),
        "rehearsal": {
            "trials": len(state.schedule) - len(asked),
            "finished": len(rehearsed),
            "statuses": dict(Counter(rehearsed)),
        },
        "now": _now(state) if driven else "",
        "hosts": {name: _host_words(host, verified[name], driven=driven) for name, host in state.hosts.items()},
        "differences": {} if driven else {end.host: end.lines[1:] for end in host_ends(state) if len(end.lines) > 1},
        "next": _next(run, state, code, verified) if not driven else "",
        "log": _log(run),
    }


def view_lines(view: dict[str, Any]) -> Iterator[str]:
    """The same for a person."""
    yield f"{view['run_id']}: {view['standing']}; {view['finished']} of {view['trials']} trials have an outcome"
    if view["statuses"]:
        yield "  " + _counted(view["statuses"])
    if view["rehearsal"]["finished"]:
        yield f"  rehearsal, no results: {_counted(view['rehearsal']['statuses'])}"
    if view["now"]:
        yield f"  now: {view['now']}"
    for name, host in view["hosts"].items():
        yield f"  {name}: {host}"
        yield from (f"  {line}" for line in view["differences"].get(name, ()))
    for line in view["log"]:
        yield f"  | {line}"
    if view["next"]:
        yield from view["next"].splitlines()


def _counted(statuses: dict[str, int]) -> str:
    return ", ".join(f"{count} {status}" for status, count in statuses.items())


def _standing(code: int | None, *, driven: bool) -> str:
    if driven:
        return "going on"
    return "broken off" if code is None else f"ended with exit code {code}"


def _now(state: RunState) -> str:
    if not state.position:
        return ""
    trial = state.trial(state.position)
    return ("rehearsal of " if trial.role == "rehearse" else "") + state.setup.cell(trial.cell).key


def _host_words(host: HostState, verified: bool, *, driven: bool) -> str:
    if host.token and (driven or not verified):
        changed = ", ".join(f"{place} = {level}" for place, level in host.levels.items())
        return (
            f"held by this run; {changed or 'as found'}"
            if driven
            else "NOT verified as found; the run had it when it broke off"
        )
    if verified:
        return "verified as found" if host.restored is not None else "as found"
    return f"NOT verified as found; {(host.fault or {}).get('message') or 'not seen since it was changed'}"


def _next(run: Path, state: RunState, code: int | None, verified: dict[str, bool]) -> str:
    if not all(verified.values()):
        return (
            f"to restore the hosts: linktrial recover {typed(run)}\n"
            f"to go on, which restores them, too: linktrial resume {typed(run)}"
        )
    if state.next_position() or code not in _RAN_THROUGH:
        return f"to go on: linktrial resume {typed(run)}"
    return ""


def _log(run: Path) -> list[str]:
    folder = Folder(run)
    return folder.last_lines("log.txt", LAST_LINES) if folder.has("log.txt") else []
