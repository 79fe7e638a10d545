"""Errors of ours in the process that restores a host: it goes on, and restores all the same."""

from __future__ import annotations

import os
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.onhost.safety import lease, restoring, watchdog
from orchestrator.onhost.safety.record import Record
from tests.sim.helper_host import HelperHost
from tests.sim.stage import MTU, Stage
from tests.sim.test_event_table import LARGE, STRANGE_MTU

BREAKABLE = {
    "restoring": (restoring, "restored"),
    "bookkeeping": (lease, "note_unfinished"),
    "what is due": (watchdog, "_due_s"),
    "which restarts are due": (restoring, "restarts_due"),
    "locking memory": (watchdog, "lock_memory"),
}


@pytest.mark.parametrize("stranger", [False, True], ids=["", "a stranger's value"])
@pytest.mark.parametrize("lasting", [False, True], ids=["once", "always"])
@pytest.mark.parametrize("broken", BREAKABLE)
def test_an_error_in_the_watchdog_costs_no_host_its_restoring(
    broken: str, lasting: bool, stranger: bool, monkeypatch: pytest.MonkeyPatch
):
    room, name = BREAKABLE[broken]
    whole, met = getattr(room, name), []

    def raises(*args: Any, **options: Any) -> Any:
        if lasting or not met:
            met.append(name)
            raise KeyError("injected")
        return whole(*args, **options)

    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        await stage.kill()
        host = stage.hosts["hall"]
        assert isinstance(host, HelperHost)
        assert not stage.is_as_found("hall")
        if stranger:
            host.values[MTU] = STRANGE_MTU
        host._run_as(host.record["deadline_ns"] + 1)  # type: ignore[index] # its lease is held
        turns: list[float] = []

        def kept(state: Any, supervisor: int) -> bool:
            """Until it is as found, or was given long enough."""
            return len(turns) < 12 and (stranger or not stage.is_as_found("hall"))

        monkeypatch.setattr(watchdog, "_is_watched_by", kept)
        monkeypatch.setattr(watchdog, "time", SimpleNamespace(sleep=turns.append, monotonic=lambda: 0.0))
        monkeypatch.setattr(watchdog, "lock_memory", lambda: None)
        monkeypatch.setattr(room, name, raises)
        watchdog._work(Record(str(host._folder)), os.getppid())
        assert met or stranger, "a value that stays needs no bookkeeping"
        assert max(turns, default=0.0) <= 60.0
        assert host.values[MTU] == (STRANGE_MTU if stranger else stage.before["hall"][MTU])
        assert stage.is_as_found("hall") or stranger

    Stage().play(scene)
