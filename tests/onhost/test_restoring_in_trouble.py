"""Restoring where it goes wrong: in part, at a limit of processes, beside stuck drivers, without the lock."""

from __future__ import annotations

import errno
import os
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.act import actions, recovering
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, restoring, watchdog
from orchestrator.onhost.safety.record import Record, boottime_ns
from orchestrator.onhost.service import bounded
from orchestrator.onhost.settings import catalogue
from orchestrator.onhost.system.process import started_ticks
from tests.onhost.one_place import File, changed, only_place
from tests.testing.fake_host import INTERFACE, fake_host


@pytest.fixture
def setting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> File:
    return only_place(tmp_path, monkeypatch)


@pytest.mark.parametrize("by", ["watchdog", "recover", "controller"])
def test_a_place_that_was_restored_only_in_part_stays_ours_and_is_restored_by_the_next_attempt(
    by: str, setting: File
) -> None:
    """It reads neither as before nor as any level then; to call that somebody else's change leaves it so for ever."""
    setting.behaviour = "half"
    state = restoring.restored(changed(), by)
    assert setting.path.read_text() == "half"
    assert len(state["outcome"]["left"]) == 1
    setting.behaviour = "good"
    again = restoring.restored(state, "recover")
    assert (again["standing"], setting.path.read_text()) == ("restored", "old")


def test_what_somebody_sets_after_an_attempt_in_part_is_still_theirs(setting: File) -> None:
    setting.behaviour = "half"
    state = restoring.restored(changed(), "watchdog")
    setting.behaviour = "good"
    setting.path.write_text("theirs")
    assert [one["now"] for one in restoring.restored(state, "recover")["outcome"]["conflicts"]] == ["theirs"]
    assert setting.path.read_text() == "theirs"


def test_a_place_on_probation_that_was_restored_only_in_part_stays_ours(setting: File, tmp_path: Path) -> None:
    record = Record(str(tmp_path / "linktrial"))
    setting.behaviour = "half"
    with record.locked():
        record.save(
            {**changed(), "probation": {"until_ns": 0, "session": 1, "places": [{"setting": "file", "target": "x"}]}}
        )
    assert not watchdog.restore_if_due(record), "the lease goes on"
    setting.behaviour = "good"
    state = record.load()
    assert state is not None
    assert restoring.restored(state, "recover")["standing"] == "restored"


@pytest.mark.parametrize("fails", ["fork", "pipe"])
def test_putting_back_goes_on_where_a_process_cannot_be_started(
    fails: str, setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host at its limit of processes or files refuses the first of two places, not the second."""
    other = File(tmp_path / "other")
    other.path.write_text("new")
    monkeypatch.setattr(restoring, "setting_of", lambda name: other if name == "other" else setting)
    state = changed()
    state["before"] += [{**state["before"][0], "setting": "other"}]
    state["changes"] += [{**state["changes"][0], "setting": "other"}]
    real, calls = getattr(os, fails), []

    def limited() -> Any:
        calls.append(1)
        if len(calls) == 1:
            raise OSError(errno.EAGAIN, "Resource temporarily unavailable")
        return real()

    monkeypatch.setattr(bounded.os, fails, limited)
    outcome = restoring.restored(state, "watchdog")["outcome"]
    assert (setting.path.read_text(), outcome["conflicts"]) == ("old", [])
    assert [one["setting"] for one in outcome["left"]] in ([], ["other"])


def _open_files() -> set[str]:
    return {entry.name for entry in Path("/proc/self/fd").iterdir()}


def test_a_process_that_cannot_be_started_leaves_no_file_open(monkeypatch: pytest.MonkeyPatch) -> None:
    def never() -> int:
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(bounded.os, "fork", never)
    before = _open_files()
    with pytest.raises(Refusal, match="could not be started"):
        bounded.run_bounded(lambda: 1, 1.0)
    assert _open_files() == before


@pytest.mark.parametrize("trouble", ["hangs", "raises"])
def test_a_driver_that_does_not_say_how_to_mend_it_keeps_no_other_place_from_being_restored(
    trouble: str, setting: File, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some commands are made from what the driver says now, which is what it does not say while it is stuck."""

    def mend_command(target: str, value: Any) -> str:
        if trouble == "raises":
            raise OSError(errno.ENODEV, "No such device")
        time.sleep(60)
        return ""

    monkeypatch.setattr(setting, "mend_command", mend_command)
    monkeypatch.setattr(restoring, "MEND_TIMEOUT_S", 0.2, raising=False)
    setting.behaviour = "ignores"
    started = time.monotonic()
    (left,) = restoring.restored(changed(), "recover")["outcome"]["left"]
    assert left["command"] == ""
    assert time.monotonic() - started < 30, "it was waited for"


def test_many_stuck_places_do_not_add_up_to_more_than_the_controller_waits_for_an_answer(
    setting: File, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One stuck interface makes all its settings stuck. Without an answer in time nobody is told what stays."""
    waited: list[float] = []

    def stuck(step: Any, timeout_s: float) -> Any:
        waited.append(timeout_s)
        raise Refusal("stuck", f"it did not end within {timeout_s:g} s", timeout_s=timeout_s)

    monkeypatch.setattr(restoring, "run_bounded", stuck)
    state = changed()
    state["before"] = [{**state["before"][0], "target": f"x{number}"} for number in range(8)]
    state["changes"] = [{**state["changes"][0], "target": f"x{number}"} for number in range(8)]
    outcome = restoring.restored(state, "recover")["outcome"]
    assert len(outcome["left"]) == 8
    assert waited[0] == restoring.RESTORE_TIMEOUT_S
    assert sum(waited) < min(actions.RESTORE_TIMEOUT_S, recovering.TIMEOUT_S)


def test_a_watchdog_that_had_to_go_on_without_the_lock_looks_again_once_it_is_free(
    setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow change that was under way takes effect after the watchdog has found nothing to restore."""
    monkeypatch.setattr(watchdog, "LOCK_PATIENCE_S", 0.2)
    record = Record(str(tmp_path / "linktrial"))
    setting.path.write_text("old")
    with record.locked():
        record.save({**changed(unfinished=True), "deadline_ns": boottime_ns()})
        watchdog.restore_if_due(Record(record.directory))
        setting.path.write_text("new")  # now it does
    state = record.load()
    assert state is not None
    assert state["standing"] == "left"
    watchdog.restore_if_due(Record(record.directory))
    assert setting.path.read_text() == "old"
    assert (record.load() or {})["standing"] == "restored"
    assert len((record.load() or {})["outcome"]["restored"]) == 1


def test_a_watchdog_that_cannot_start_its_worker_waits_until_it_can(
    setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host may be at its limit of processes for a while, above all while traffic runs."""
    monkeypatch.setattr(watchdog, "LONGEST_SLEEP_S", 0.01)
    real, calls = os.fork, []

    def limited() -> int:
        calls.append(1)
        if len(calls) <= watchdog.MAX_WORKERS + 1:
            raise OSError(errno.EAGAIN, "Resource temporarily unavailable")
        return real()

    record = Record(str(tmp_path / "linktrial"))
    child = os.fork()
    if child == 0:
        try:
            with record.locked():
                ours = {"pid": os.getpid(), "ticks": started_ticks(os.getpid()), "in_session": False, "cgroup": ""}
                record.save({**changed(), "deadline_ns": boottime_ns(), "watchdog": ours})
            monkeypatch.setattr(watchdog.os, "fork", limited)
            watchdog._supervise(record)
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    assert setting.path.read_text() == "old"
    assert (record.load() or {})["standing"] == "restored"


@pytest.mark.parametrize("why", ["the lock is held", "the disk is full"])
def test_a_worker_whose_supervisor_is_killed_restores_also_where_it_cannot_register_itself(
    why: str, setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: Any) -> None:
        raise Refusal("record" if why == "the disk is full" else "locked", why)

    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        gone = {"pid": 2**22 + 1, "ticks": 1, "in_session": False, "cgroup": ""}
        record.save({**changed(), "deadline_ns": boottime_ns(), "watchdog": gone})
    monkeypatch.setattr(watchdog, "_register", refused)
    child = os.fork()
    if child == 0:
        try:
            watchdog._work(record, 2**22 + 1)
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    assert setting.path.read_text() == "old"


def test_what_was_remembered_for_a_change_that_was_never_made_does_not_outlive_the_run(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A driver may refuse an MTU after its IPv6 has been noted; another run's way back would bring that in again."""
    kernel = fake_host()
    mtu = catalogue(kernel)["mtu"]
    place = {"setting": "mtu", "target": INTERFACE, "level": 1000}
    state = {**changed(), "before": [{**place, "value": mtu.read(INTERFACE)}], "changes": []}
    monkeypatch.setattr(restoring, "setting_of", lambda name: mtu)
    monkeypatch.setattr(restoring, "run_bounded", lambda step, timeout_s: step())

    def busy(*_: Any, **more: Any) -> None:
        raise OSError(errno.EBUSY, "Device or resource busy")

    monkeypatch.setattr(kernel, "set_link", busy)
    with pytest.raises(Refusal):
        mtu.apply(INTERFACE, 1000)
    assert kernel.saved_states
    assert restoring.restored(lease.note_intent(state, place), "controller")["outcome"]["left"] == []
    assert kernel.saved_states == {}
