"""A helper whose lease is over and whom nobody has spoken to for as long as it lasted ends itself; no other does."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.onhost.safety import lease_watch
from orchestrator.onhost.safety.lease_watch import LeaseWatch


class StandingRecord:
    """A host's record in memory."""

    def __init__(self) -> None:
        self.state: dict[str, Any] | None = None

    def stamp(self) -> tuple[Any, ...]:
        return ()

    def load(self) -> dict[str, Any] | None:
        return self.state


@pytest.fixture
def record(monkeypatch: pytest.MonkeyPatch) -> StandingRecord:
    monkeypatch.setattr(lease_watch, "boot_id", lambda: "b")
    monkeypatch.setattr(lease_watch, "boottime_ns", lambda: 100 * 10**9)
    return StandingRecord()


def held(until_s: float, lease_s: float = 10.0) -> dict[str, Any]:
    return {"token": 1, "standing": "held", "boot_id": "b", "deadline_ns": int(until_s * 1e9), "lease_s": lease_s}


def test_a_helper_that_never_served_a_lease_waits_for_its_controller(record: StandingRecord) -> None:
    assert not LeaseWatch(record).is_left_behind(3000.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("after", [None, held(until_s=99.0)], ids=["given up", "run out"])
def test_a_helper_is_left_behind_once_the_lease_is_over_and_as_long_was_silent(
    record: StandingRecord, after: dict[str, Any] | None
) -> None:
    watch = LeaseWatch(record)  # type: ignore[arg-type]
    record.state = held(until_s=105.0)
    assert not watch.is_left_behind(3000.0), "renewed by datagrams or by another session"
    record.state = after
    assert not watch.is_left_behind(29.9), "its controller may have slept, and is owed an answer"
    assert watch.is_left_behind(30.0)
