"""A run's folder: made private to the user, named so that it sorts by time, with the plan as it was run."""

from __future__ import annotations

import contextlib
import json
import os
import pwd
import secrets
import shlex
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from orchestrator import __version__
from orchestrator.act.holders import holder_words
from orchestrator.act.journal import flush_folder, holds_any, read_lines, undriven
from orchestrator.decide.as_found.host_ends import HostEnd, host_ends
from orchestrator.decide.replay import replay
from orchestrator.decide.restarting.kernels import facts_as_measured
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState
from orchestrator.faults import HostError, PlanError
from orchestrator.run_files import Folder, has_file, write_file
from orchestrator.stored import SCHEMA_VERSION, Json, made_of

RUNNING = "running"
_ENDED = {
    0: "complete",
    1: "complete",
    3: "refused",
    4: "our fault",
    5: "not as found",
    6: "stopped early",
    130: "interrupted",
    143: "terminated",
}


def new_run_id(plan_name: str) -> str:
    """`<plan>-<UTC time>-<short id>`."""
    return f"{plan_name}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}"


@contextlib.contextmanager
def writing(folder: Path) -> Iterator[None]:
    """What is written before any host is contacted: when the disk does not take it, the run is refused (HostError)."""
    try:
        yield
    except OSError as error:
        raise HostError(
            "run_folder",
            f"cannot write {error.filename or folder}: {error.strerror}",
            host="controller",
            next_step="make room there, or name another folder with --out",
        ) from error


def make_folder(out: Path, run_id: str, plan_text: str) -> Path:
    """The run's new folder, mode 0700, holding the plan."""
    folder = out / run_id
    with writing(folder):
        out.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700)
        flush_folder(out)
        write_private(folder / "plan.yaml", plan_text)
    return folder


def write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read, whole or not at all; on the disk when this returns."""
    write_file(path, text, flush=True, private=True)


def write_run_json(
    folder: Path,
    state: RunState,
    *,
    started_at: str,
    ended_at: str | None,
    helper_hash: str,
    bench: Json,
    purpose: str,
    threshold_ratio: float,
    binds: dict[str, str],
    lab: Json | None = None,
    screen: Json | None = None,
    exit_code: int | None = None,
) -> None:
    """run.json: what the run was, on which hosts, and how it ended.

    `exit_code` leads over the state's: an error of ours may come after the state machine has ended.
    """
    setup: RunSetup = state.setup
    code = state.exit_code if exit_code is None else exit_code
    run = {
        "schema": SCHEMA_VERSION,
        "run_id": setup.run_id,
        "plan_name": setup.plan_name,
        "purpose": purpose,
        "bench": bench,
        "binds": binds,
        "linktrial": __version__,
        "helper_hash": helper_hash,
        "started_at": started_at,
        "ended_at": ended_at,
        "exit": code,
        "ended": _ENDED.get(code, RUNNING) if code is not None else RUNNING,
        "seed": setup.seed,
        "threshold_ratio": threshold_ratio,
        "trial": {"length_s": setup.length_s, "warmup_s": setup.warmup_s, "settle_s": setup.settle_s},
        "links": {
            link.name: {
                "ends": [list(end) for end in link.ends],
                "rate_bit_s": link.rate_bit_s,
                "isolated": link.isolated,
            }
            for link in setup.links
        },
        "cells": [
            {
                "number": cell.number,
                "key": cell.key,
                "levels": cell.levels,
                "link": cell.link,
                "links": cell.links,
                "settings": [asdict(use) for use in cell.settings],
                "traffic": dict(cell.traffic),
            }
            for cell in setup.cells
        ],
        "lab": lab,
        "screen": screen,
        **_as_known(state),
    }
    write_private(folder / "run.json", json.dumps(run, indent=1, sort_keys=False))


def _as_known(state: RunState) -> Json:
    """What of run.json grows while the run goes on."""
    return {
        "hosts": {name: {"facts": facts_as_measured(host)} for name, host in state.hosts.items()},
        "instrument": {name: host.instrument for name, host in state.hosts.items()},
        "replicates_asked": max((trial.replicate for trial in state.schedule), default=0),
        "as_found": {end.host: _as_found(state, end) for end in host_ends(state)},
        "stop": state.stop,
        "refused": state.refused,
        "notes": state.notes,
    }


def _as_found(state: RunState, end: HostEnd) -> Json:
    host = state.hosts[end.host]
    result = host.restored or {}
    differences = result.get("differences", {})
    return {
        "ok": end.verified,
        "how": end.how,
        "changed": host.changed,
        "left": result.get("left", []),
        "conflicts": result.get("conflicts", []),
        "touched": differences.get("touched", []),
        "other": differences.get("other", []),
        "restart": result.get("restart", []),
        "accepted": result.get("accepted", []),
        "fault": (host.fault or {}).get("message", ""),
    }


def write_surveys(folder: Path, state: RunState) -> None:
    """survey-before.json and survey-after.json: the hosts as they were, and as they are left."""
    before = {name: host.facts for name, host in state.hosts.items()}
    after = {name: (host.restored or {}).get("facts") for name, host in state.hosts.items()}
    for name, surveys in (("survey-before.json", before), ("survey-after.json", after)):
        if any(surveys.values()) or not Folder(folder).has(name):  # what an earlier process saw is not lost
            write_private(folder / name, json.dumps(surveys, indent=1))


def journal_path(folder: Path) -> Path:
    """The run's journal."""
    return folder / "journal.jsonl"


def has_begun(folder: Path) -> bool:
    """Whether the run's journal holds its setup: before that no host was contacted."""
    path = journal_path(folder)
    return has_file(path) and holds_any(path)


def state_of(folder: Path) -> RunState:
    """The run's state, replayed from its journal; PlanError when the folder holds none that tells a run's story."""
    path = journal_path(folder)
    if not has_file(path):
        raise PlanError(
            "no_journal",
            f"{folder} holds no journal, so it is not a run's folder",
            next_step="name the folder of a run or of a suite",
        )
    entries, _, _ = read_lines(path)
    if not entries:
        raise PlanError(
            "not_begun",
            f"{folder}: the run ended before any host was contacted",
            next_step=f"begin it with: linktrial resume {shlex.quote(str(folder))}",
        )
    with made_of(path):
        return replay(entries)[0]


def is_driven(folder: Path) -> bool:
    """Whether another process drives the run at this moment."""
    try:
        with undriven(journal_path(folder)):
            return False
    except HostError:
        return True


def ends_known(folder: Path, state: RunState) -> tuple[int | None, dict[str, bool]]:
    """(exit code, host -> whether it was verified as found), as far as the run's folder knows.

    A run that could not write its journal any more has told its end to run.json alone.
    """
    known = {end.host: end.verified for end in host_ends(state)}
    if state.exit_code is not None:
        return state.exit_code, known
    run = _run_json(folder)
    code, found = run.get("exit"), run.get("as_found")
    if not isinstance(code, int) or not isinstance(found, dict):
        return None, known
    return code, {name: bool(found.get(name, {}).get("ok")) for name in known}


def is_complete(folder: Path, state: RunState) -> bool:
    """Whether the run has ended with all it was to measure, and its folder says so."""
    return state.exit_code in (0, 1) and _run_json(folder).get("exit") == state.exit_code


def refresh_run_json(folder: Path, state: RunState) -> None:
    """Bring run.json up to what the journal says now: after a recovery, or when the run's process was killed."""
    run = _run_json(folder)
    if not run:
        return
    run |= _as_known(state)
    if state.exit_code is not None:
        run |= {"exit": state.exit_code, "ended": _ENDED.get(state.exit_code, RUNNING)}
    elif run.get("exit") is None:
        free = all(host.as_found and not host.token for host in state.hosts.values())
        run["ended"] = "recovered" if free and state.began else "broken off"
    write_private(folder / "run.json", json.dumps(run, indent=1))


def _run_json(folder: Path) -> Json:
    inside = Folder(folder)
    found = inside.json("run.json") if inside.has("run.json") else {}
    return found if isinstance(found, dict) else {}


def owner_text(folder: Path) -> str:
    """Who we are, to whoever finds a host held: login name and machine, our process, the run's folder."""
    return holder_words(login_name(), os.uname().nodename, os.getpid(), str(folder.absolute()))


def login_name() -> str:
    """The person's login name as the account database has it, behind sudo too; the number of an account without."""
    number = os.getuid()
    behind = os.environ.get("SUDO_UID", "")
    if number == 0 and behind.isascii() and behind.isdecimal():
        number = int(behind)
    try:
        return pwd.getpwuid(number).pw_name
    except (KeyError, OverflowError):
        return str(number)
