"""What restoring does with settings that lie, hang, die or refuse; and what a watchdog may do when."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import accepting, lease, restoring, watchdog
from orchestrator.onhost.safety.record import LOCK_TIMEOUT_S, Record, boottime_ns
from orchestrator.onhost.service import bounded
from orchestrator.onhost.system.process import started_ticks
from tests.onhost.one_place import File, changed, only_place


@pytest.fixture
def setting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> File:
    return only_place(tmp_path, monkeypatch)


def test_a_watchdog_whose_starter_is_killed_before_it_is_registered_goes_away_and_holds_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It inherits all that its starter has open: the lock, and both ends of the pipe whose end it waits for."""
    record = Record(str(tmp_path / "record"))
    told = tmp_path / "watchdog"

    def killed(_: Record, registration: dict[str, Any]) -> None:
        told.write_text(str(registration["pid"]))
        os.kill(os.getpid(), 9)

    monkeypatch.setattr(watchdog, "_register", killed)
    starter = os.fork()
    if starter == 0:
        try:
            with record.locked():
                record.save(changed())
                watchdog.start(record)
        finally:
            os._exit(0)
    assert os.WTERMSIG(os.waitpid(starter, 0)[1]) == 9
    waiting = int(told.read_text())
    try:
        with record.locked(timeout_s=10.0):
            assert record.load() is not None
        until = time.monotonic() + 10
        while started_ticks(waiting) and time.monotonic() < until:
            time.sleep(0.01)
        assert not started_ticks(waiting), "it waits for a word that nobody can give any more"
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(waiting, 9)


def test_a_watchdog_that_does_not_come_up_is_not_waited_for_longer_than_others_wait_for_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = Record(str(tmp_path / "record"))
    monkeypatch.setattr(watchdog, "_settle", lambda tell: time.sleep(3.0))
    assert watchdog.START_TIMEOUT_S < LOCK_TIMEOUT_S
    monkeypatch.setattr(watchdog, "START_TIMEOUT_S", 0.1)
    started = time.monotonic()
    with record.locked():
        record.save(changed())
        with pytest.raises(Refusal) as refused:
            watchdog.start(record)
    assert refused.value.code == "watchdog"
    assert time.monotonic() - started < 2.5, "it was waited for"
    with record.locked(timeout_s=1.0):
        record.remove()


def test_a_place_whose_driver_hangs_holds_no_lock_once_whoever_restored_it_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, setting: File
) -> None:
    """A process that is stuck in the kernel dies neither of its parent's end nor of a signal."""
    record = Record(str(tmp_path / "record"))
    stuck = tmp_path / "stuck"
    monkeypatch.setattr(bounded, "die_with_parent", lambda parent: None)
    monkeypatch.setattr(setting, "restore", lambda *_: (stuck.write_text(str(os.getpid())), time.sleep(60)))
    starter = os.fork()
    if starter == 0:
        try:
            with record.locked():
                restoring.restored(changed(), "recover", record.save)
        finally:
            os._exit(0)
    until = time.monotonic() + 10
    while not (stuck.exists() and stuck.read_text()) and time.monotonic() < until:
        time.sleep(0.01)
    os.kill(starter, 9)
    os.waitpid(starter, 0)
    child = int(stuck.read_text())
    try:
        assert started_ticks(child)
        with record.locked(timeout_s=1.0):
            assert record.load() is not None
    finally:
        os.kill(child, 9)


def test_what_reads_as_before_was_restored(setting: File) -> None:
    outcome = restoring.restored(changed(), "recover")
    assert outcome["standing"] == "restored"
    assert outcome["changes"] == []
    assert setting.path.read_text() == "old"


def test_what_takes_a_restart_is_disarmed_also_where_its_write_had_failed(
    setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    armed = tmp_path / "armed"
    armed.touch()

    def restore(target: str, before: Any) -> None:
        assert setting.path.read_text() == before
        armed.unlink()

    monkeypatch.setattr(setting, "restarts", lambda level: True)
    monkeypatch.setattr(setting, "restore", restore)
    monkeypatch.setattr(restoring, "restarts_due", lambda *ignored: [])
    setting.path.write_text("old")
    assert restoring.restored(changed(), "watchdog")["standing"] == "restored"
    assert not armed.exists()


@pytest.mark.parametrize(
    ("now", "unfinished", "kept"), [("new", False, False), ("boot's", False, True), ("half done", True, False)]
)
def test_a_change_known_from_the_journal_alone_is_restored_only_where_the_value_is_ours(
    now: str, unfinished: bool, kept: bool, setting: File
) -> None:
    """After a restart, the host's record is gone: an old value is not put over what the new start gave."""
    setting.path.write_text(now)
    known = {
        "setting": "file",
        "target": "x",
        "level": "new",
        "value": "old",
        "ours": ["new"],
        "unfinished": unfinished,
    }
    fresh = {**changed(), "before": [], "changes": []}
    state = restoring.restored(lease.adopt(fresh, known), "controller")
    assert setting.path.read_text() == (now if kept else "old")
    assert len(state["outcome"]["conflicts"]) == kept


@pytest.mark.parametrize("behaviour", ["ignores", "hangs", "dies", "bug", "cannot be read"])
def test_what_cannot_be_restored_is_listed_with_its_command(behaviour: str, setting: File) -> None:
    """A setting that takes the value and does not have it afterwards is left, not restored."""
    setting.behaviour = behaviour
    state = restoring.restored(changed(), "recover", timeout_s=1.0)
    (left,) = state["outcome"]["left"]
    assert (left["before"], left["command"]) == ("old", "set it to old")
    assert left["why"]
    assert state["standing"] == "left"
    assert len(state["changes"]) == 1, "it is still owed"


def test_what_was_restored_only_in_part_is_told_as_it_reads_now_and_can_be_accepted(setting: File) -> None:
    setting.behaviour = "half"
    outcome = restoring.restored(changed(), "recover")["outcome"]
    assert [(one["now"], one["why"]) for one in outcome["left"]] == [("half", "the second half was refused")]
    accepting.require_acceptable(outcome, None, accepting.mark(outcome, None))


def test_a_value_that_is_nobodys_of_ours_is_a_conflict(setting: File) -> None:
    setting.path.write_text("theirs")
    state = restoring.restored(changed(), "recover")
    assert [one["now"] for one in state["outcome"]["conflicts"]] == ["theirs"]
    assert setting.path.read_text() == "theirs"


def test_after_an_interrupted_change_any_value_is_ours(setting: File) -> None:
    setting.path.write_text("half")
    assert restoring.restored(changed(unfinished=True), "recover")["standing"] == "restored"


def test_a_write_is_announced_before_it_is_made(setting: File) -> None:
    seen: list[tuple[bool, str]] = []
    restoring.restored(
        changed(), "watchdog", lambda state: seen.append((state["changes"][0]["unfinished"], setting.path.read_text()))
    )
    assert seen == [(True, "new")]


def test_a_full_disk_does_not_keep_the_host_changed(setting: File) -> None:
    def full(state: dict[str, Any]) -> None:
        raise Refusal("record", "no space")

    assert restoring.restored(changed(), "watchdog", full)["standing"] == "restored"
    assert setting.path.read_text() == "old"


def test_the_controllers_restore_does_not_end_the_lease(setting: File) -> None:
    assert restoring.restored(changed(), "controller")["standing"] == "held"


def test_the_watchdog_leaves_a_lease_alone_that_was_renewed_before_it_got_the_lock(
    setting: File, tmp_path: Path
) -> None:
    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        record.save(changed())
    assert not watchdog.restore_if_due(record)
    assert setting.path.read_text() == "new"
    with record.locked():
        state = record.load()
        assert state is not None
        record.save({**state, "deadline_ns": boottime_ns()})
    assert watchdog.restore_if_due(record)
    assert setting.path.read_text() == "old"


def test_a_lock_that_one_stuck_change_holds_does_not_keep_the_watchdog_for_ever(
    setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing else can change the host by then: every change checks the deadline once it has the lock."""
    monkeypatch.setattr(watchdog, "LOCK_PATIENCE_S", 0.2)
    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        record.save({**changed(), "deadline_ns": boottime_ns()})
        assert watchdog.restore_if_due(Record(record.directory))
    assert setting.path.read_text() == "old"
