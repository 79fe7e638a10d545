"""A host with one place that a run has changed, kept in a file, for the tests of restoring it."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, restoring
from orchestrator.onhost.safety.record import boot_id, boottime_ns
from tests.onhost.at_once import AtOnce


class File(AtOnce):
    """A setting over a file's content, so that a forked child's writes are seen."""

    survives_reboot = False

    def __init__(self, path: Path, behaviour: str = "good") -> None:
        self.path, self.behaviour = path, behaviour

    def read(self, target: str, level: Any = None) -> str:
        if self.behaviour == "cannot be read":
            raise Refusal("failed", "no such interface")
        return self.path.read_text()

    def verify(self, target: str, level: Any) -> dict[str, Any]:
        return {"ok": self.read(target) == level, "seen": self.read(target), "why": ""}

    def restore(self, target: str, before: Any) -> None:
        if self.behaviour == "hangs":
            time.sleep(60)
        if self.behaviour == "half":  # one of two processor policies, say
            self.path.write_text("half")
            raise Refusal("failed", "the second half was refused")
        if self.behaviour == "dies":
            os.kill(os.getpid(), 9)
        if self.behaviour == "bug":
            raise ZeroDivisionError("a bug")
        if self.behaviour != "ignores":
            self.path.write_text(before)

    def same(self, before: Any, now: Any) -> bool:
        return bool(before == now)

    def mend_command(self, target: str, value: Any) -> str:
        return f"set it to {value}"


def changed(value: str = "new", *, unfinished: bool = False) -> dict[str, Any]:
    place = {"setting": "file", "target": "x", "level": "new"}
    state = lease.acquire(
        None,
        {"run_id": "r1", "holder": "ann", "lease_s": 60.0},
        now_ns=boottime_ns(),
        wall_ns=time.time_ns(),
        boot=boot_id(),
        netns=1,
        survives=lambda name: False,
    )
    state = {**state, "before": [{**place, "value": "old"}]}
    state = lease.note_intent(state, place)
    return state if unfinished else lease.note_done(state, place, value)


def only_place(folder: Path, monkeypatch: pytest.MonkeyPatch) -> File:
    """The place, holding `new`, as the only one that there is to restore."""
    made = File(folder / "value")
    made.path.write_text("new")
    monkeypatch.setattr(restoring, "setting_of", lambda name: made)
    monkeypatch.setattr(restoring, "in_order", lambda changes, *more: list(changes), raising=False)
    return made
