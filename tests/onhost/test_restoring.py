"""What putting back does with settings that lie, hang, die or refuse; and what a keeper may do when."""

from __future__ import annotations

import contextlib
import errno
import os
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.act import actions, recovering
from orchestrator.onhost import bounded, keeper, lease, restoring
from orchestrator.onhost.process import started_ticks
from orchestrator.onhost.record import LOCK_BOUND_S, Record, boot_id, boottime_ns
from orchestrator.onhost.refusal import Refusal
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


def _changed(value: str = "new", *, unfinished: bool = False) -> dict[str, Any]:
    place = {"setting": "file", "target": "x", "level": "new"}
    state = lease.take(None, {"run_id": "r1", "holder": "ann", "lease_s": 60.0}, now_ns=boottime_ns(),
                       wall_ns=time.time_ns(), boot=boot_id(), netns=1, survives=lambda name: False)
    state = {**state, "before": [{**place, "value": "old"}]}
    state = lease.note_intent(state, place)
    return state if unfinished else lease.note_done(state, place, value)


@pytest.fixture
def setting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> File:
    made = File(tmp_path / "value")
    made.path.write_text("new")
    monkeypatch.setattr(restoring, "setting_of", lambda name: made)
    monkeypatch.setattr(restoring, "in_order", lambda changes, *more: list(changes), raising=False)
    return made


def test_a_keeper_whose_starter_is_killed_before_it_is_registered_goes_away_and_holds_no_lock(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It inherits all that its starter has open: the lock, and both ends of the pipe whose end it waits for."""
    record = Record(str(tmp_path / "record"))
    told = tmp_path / "keeper"

    def killed(_: Record, registration: dict[str, Any]) -> None:
        told.write_text(str(registration["pid"]))
        os.kill(os.getpid(), 9)

    monkeypatch.setattr(keeper, "_register", killed)
    starter = os.fork()
    if starter == 0:
        try:
            with record.locked():
                record.save(_changed())
                keeper.start(record)
        finally:
            os._exit(0)
    assert os.WTERMSIG(os.waitpid(starter, 0)[1]) == 9
    waiting = int(told.read_text())
    try:
        with record.locked(bound_s=10.0):
            assert record.load() is not None
        until = time.monotonic() + 10
        while started_ticks(waiting) and time.monotonic() < until:
            time.sleep(0.01)
        assert not started_ticks(waiting), "it waits for a word that nobody can give any more"
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(waiting, 9)


def test_a_keeper_that_does_not_come_up_is_not_waited_for_longer_than_others_wait_for_the_lock(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = Record(str(tmp_path / "record"))
    monkeypatch.setattr(keeper, "_settle", lambda tell: time.sleep(3.0))
    assert keeper.START_BOUND_S < LOCK_BOUND_S
    monkeypatch.setattr(keeper, "START_BOUND_S", 0.1)
    started = time.monotonic()
    with record.locked():
        record.save(_changed())
        with pytest.raises(Refusal) as refused:
            keeper.start(record)
    assert refused.value.code == "keeper"
    assert time.monotonic() - started < 2.5, "it was waited for"
    with record.locked(bound_s=1.0):
        record.remove()


def test_a_place_whose_driver_hangs_holds_no_lock_once_whoever_put_it_back_is_gone(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, setting: File) -> None:
    """A process that is stuck in the kernel dies neither of its parent's end nor of a signal."""
    record = Record(str(tmp_path / "record"))
    stuck = tmp_path / "stuck"
    monkeypatch.setattr(bounded, "die_with_parent", lambda parent: None)
    monkeypatch.setattr(setting, "restore", lambda *_: (stuck.write_text(str(os.getpid())), time.sleep(60)))
    starter = os.fork()
    if starter == 0:
        try:
            with record.locked():
                restoring.put_back(_changed(), "recover", record.save)
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
        with record.locked(bound_s=1.0):
            assert record.load() is not None
    finally:
        os.kill(child, 9)


def test_what_reads_as_before_was_restored(setting: File) -> None:
    outcome = restoring.put_back(_changed(), "recover")
    assert outcome["standing"] == "restored"
    assert outcome["changes"] == []
    assert setting.path.read_text() == "old"


def test_what_takes_a_restart_is_disarmed_also_where_its_write_had_failed(
        setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    armed = tmp_path / "armed"
    armed.touch()

    def restore(target: str, before: Any) -> None:
        assert setting.path.read_text() == before
        armed.unlink()
    monkeypatch.setattr(setting, "restarts", lambda level: True)
    monkeypatch.setattr(setting, "restore", restore)
    monkeypatch.setattr(restoring, "restarts_due", lambda *ignored: [])
    setting.path.write_text("old")
    assert restoring.put_back(_changed(), "keeper")["standing"] == "restored"
    assert not armed.exists()


@pytest.mark.parametrize(("now", "unfinished", "kept"), [("new", False, False), ("boot's", False, True),
                                                         ("half done", True, False)])
def test_a_change_known_from_the_journal_alone_is_put_back_only_where_the_value_is_ours(
        now: str, unfinished: bool, kept: bool, setting: File) -> None:
    """After a restart, the host's record is gone: an old value is not put over what the new start gave."""
    setting.path.write_text(now)
    known = {"setting": "file", "target": "x", "level": "new", "value": "old", "ours": ["new"],
             "unfinished": unfinished}
    fresh = {**_changed(), "before": [], "changes": []}
    state = restoring.put_back(lease.adopt(fresh, known), "controller")
    assert setting.path.read_text() == (now if kept else "old")
    assert len(state["outcome"]["conflicts"]) == kept


@pytest.mark.parametrize("behaviour", ["ignores", "hangs", "dies", "bug", "cannot be read"])
def test_what_cannot_be_put_back_is_listed_with_its_command(behaviour: str, setting: File) -> None:
    """A setting that takes the value and does not have it afterwards is left, not restored."""
    setting.behaviour = behaviour
    state = restoring.put_back(_changed(), "recover", bound_s=1.0)
    (left,) = state["outcome"]["left"]
    assert (left["before"], left["command"]) == ("old", "set it to old")
    assert left["why"]
    assert state["standing"] == "left"
    assert len(state["changes"]) == 1, "it is still owed"


def test_a_value_that_is_nobodys_of_ours_is_a_conflict(setting: File) -> None:
    setting.path.write_text("theirs")
    state = restoring.put_back(_changed(), "recover")
    assert [one["now"] for one in state["outcome"]["conflicts"]] == ["theirs"]
    assert setting.path.read_text() == "theirs"


def test_after_an_interrupted_change_any_value_is_ours(setting: File) -> None:
    setting.path.write_text("half")
    assert restoring.put_back(_changed(unfinished=True), "recover")["standing"] == "restored"


def test_a_write_is_announced_before_it_is_made(setting: File) -> None:
    seen: list[tuple[bool, str]] = []
    restoring.put_back(_changed(), "keeper",
                       lambda state: seen.append((state["changes"][0]["unfinished"], setting.path.read_text())))
    assert seen == [(True, "new")]


def test_a_full_disk_does_not_keep_the_host_changed(setting: File) -> None:
    def full(state: dict[str, Any]) -> None:
        raise Refusal("record", "no space")
    assert restoring.put_back(_changed(), "keeper", full)["standing"] == "restored"
    assert setting.path.read_text() == "old"


def test_the_controllers_restore_does_not_end_the_lease(setting: File) -> None:
    assert restoring.put_back(_changed(), "controller")["standing"] == "held"


def test_the_keeper_leaves_a_lease_alone_that_was_renewed_before_it_got_the_lock(setting: File, tmp_path: Path) -> None:
    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        record.save(_changed())
    assert not keeper.put_back_if_due(record)
    assert setting.path.read_text() == "new"
    with record.locked():
        state = record.load()
        assert state is not None
        record.save({**state, "deadline_ns": boottime_ns()})
    assert keeper.put_back_if_due(record)
    assert setting.path.read_text() == "old"


def test_a_lock_that_one_stuck_change_holds_does_not_keep_the_keeper_for_ever(
        setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing else can change the host by then: every change checks the deadline once it has the lock."""
    monkeypatch.setattr(keeper, "LOCK_PATIENCE_S", 0.2)
    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        record.save({**_changed(), "deadline_ns": boottime_ns()})
        assert keeper.put_back_if_due(Record(record.directory))
    assert setting.path.read_text() == "old"


@pytest.mark.parametrize("by", ["keeper", "recover", "controller"])
def test_a_place_that_was_put_back_only_in_part_stays_ours_and_is_put_back_by_the_next_attempt(
        by: str, setting: File) -> None:
    """It reads neither as before nor as any level then; to call that somebody else's change leaves it so for ever."""
    setting.behaviour = "half"
    state = restoring.put_back(_changed(), by)
    assert setting.path.read_text() == "half"
    assert len(state["outcome"]["left"]) == 1
    setting.behaviour = "good"
    again = restoring.put_back(state, "recover")
    assert (again["standing"], setting.path.read_text()) == ("restored", "old")


def test_what_somebody_sets_after_an_attempt_in_part_is_still_theirs(setting: File) -> None:
    setting.behaviour = "half"
    state = restoring.put_back(_changed(), "keeper")
    setting.behaviour = "good"
    setting.path.write_text("theirs")
    assert [one["now"] for one in restoring.put_back(state, "recover")["outcome"]["conflicts"]] == ["theirs"]
    assert setting.path.read_text() == "theirs"


def test_a_place_on_probation_that_was_put_back_only_in_part_stays_ours(setting: File, tmp_path: Path) -> None:
    record = Record(str(tmp_path / "linktrial"))
    setting.behaviour = "half"
    with record.locked():
        record.save({**_changed(), "probation": {"until_ns": 0, "session": 1,
                                                 "places": [{"setting": "file", "target": "x"}]}})
    assert not keeper.put_back_if_due(record), "the lease goes on"
    setting.behaviour = "good"
    state = record.load()
    assert state is not None
    assert restoring.put_back(state, "recover")["standing"] == "restored"


@pytest.mark.parametrize("fails", ["fork", "pipe"])
def test_putting_back_goes_on_where_a_process_cannot_be_started(
        fails: str, setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host at its limit of processes or files refuses the first of two places, not the second."""
    other = File(tmp_path / "other")
    other.path.write_text("new")
    monkeypatch.setattr(restoring, "setting_of", lambda name: other if name == "other" else setting)
    state = _changed()
    state["before"] += [{**state["before"][0], "setting": "other"}]
    state["changes"] += [{**state["changes"][0], "setting": "other"}]
    real, calls = getattr(os, fails), []

    def limited() -> Any:
        calls.append(1)
        if len(calls) == 1:
            raise OSError(errno.EAGAIN, "Resource temporarily unavailable")
        return real()

    monkeypatch.setattr(bounded.os, fails, limited)
    outcome = restoring.put_back(state, "keeper")["outcome"]
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
def test_a_driver_that_does_not_say_how_to_mend_it_keeps_no_other_place_from_being_put_back(
        trouble: str, setting: File, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some commands are made from what the driver says now, which is what it does not say while it is stuck."""
    def mend_command(target: str, value: Any) -> str:
        if trouble == "raises":
            raise OSError(errno.ENODEV, "No such device")
        time.sleep(60)
        return ""

    monkeypatch.setattr(setting, "mend_command", mend_command)
    monkeypatch.setattr(restoring, "MEND_BOUND_S", 0.2, raising=False)
    setting.behaviour = "ignores"
    started = time.monotonic()
    (left,) = restoring.put_back(_changed(), "recover")["outcome"]["left"]
    assert left["command"] == ""
    assert time.monotonic() - started < 30, "it was waited for"


def test_many_stuck_places_do_not_add_up_to_more_than_the_controller_waits_for_an_answer(
        setting: File, monkeypatch: pytest.MonkeyPatch) -> None:
    """One stuck interface makes all its settings stuck. Without an answer in time nobody is told what stays."""
    waited: list[float] = []

    def stuck(step: Any, bound_s: float) -> Any:
        waited.append(bound_s)
        raise Refusal("stuck", f"it did not end within {bound_s:g} s", bound_s=bound_s)

    monkeypatch.setattr(restoring, "run_bounded", stuck)
    state = _changed()
    state["before"] = [{**state["before"][0], "target": f"x{number}"} for number in range(8)]
    state["changes"] = [{**state["changes"][0], "target": f"x{number}"} for number in range(8)]
    outcome = restoring.put_back(state, "recover")["outcome"]
    assert len(outcome["left"]) == 8
    assert waited[0] == restoring.RESTORE_BOUND_S
    assert sum(waited) < min(actions.RESTORE_BOUND_S, recovering.BOUND_S)


def test_a_keeper_that_had_to_go_on_without_the_lock_looks_again_once_it_is_free(
        setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow change that was under way takes effect after the keeper has found nothing to put back."""
    monkeypatch.setattr(keeper, "LOCK_PATIENCE_S", 0.2)
    record = Record(str(tmp_path / "linktrial"))
    setting.path.write_text("old")
    with record.locked():
        record.save({**_changed(unfinished=True), "deadline_ns": boottime_ns()})
        keeper.put_back_if_due(Record(record.directory))
        setting.path.write_text("new")  # now it does
    state = record.load()
    assert state is not None
    assert state["standing"] == "left"
    keeper.put_back_if_due(Record(record.directory))
    assert setting.path.read_text() == "old"
    assert (record.load() or {})["standing"] == "restored"
    assert len((record.load() or {})["outcome"]["restored"]) == 1


def test_a_keeper_that_cannot_start_its_twin_waits_until_it_can(
        setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host may be at its limit of processes for a while, above all while traffic runs."""
    monkeypatch.setattr(keeper, "LONGEST_SLEEP_S", 0.01)
    real, calls = os.fork, []

    def limited() -> int:
        calls.append(1)
        if len(calls) <= keeper.MOST_TWINS + 1:
            raise OSError(errno.EAGAIN, "Resource temporarily unavailable")
        return real()

    record = Record(str(tmp_path / "linktrial"))
    child = os.fork()
    if child == 0:
        try:
            with record.locked():
                ours = {"pid": os.getpid(), "ticks": started_ticks(os.getpid()), "in_session": False, "cgroup": ""}
                record.save({**_changed(), "deadline_ns": boottime_ns(), "keeper": ours})
            monkeypatch.setattr(keeper.os, "fork", limited)
            keeper._guard(record)
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    assert setting.path.read_text() == "old"
    assert (record.load() or {})["standing"] == "restored"


@pytest.mark.parametrize("why", ["the lock is held", "the disk is full"])
def test_a_twin_whose_guard_is_killed_puts_back_also_where_it_cannot_register_itself(
        why: str, setting: File, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any) -> None:
        raise Refusal("record" if why == "the disk is full" else "locked", why)

    record = Record(str(tmp_path / "linktrial"))
    with record.locked():
        gone = {"pid": 2**22 + 1, "ticks": 1, "in_session": False, "cgroup": ""}
        record.save({**_changed(), "deadline_ns": boottime_ns(), "keeper": gone})
    monkeypatch.setattr(keeper, "_register", refused)
    child = os.fork()
    if child == 0:
        try:
            keeper._work(record, 2**22 + 1)
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    assert setting.path.read_text() == "old"
