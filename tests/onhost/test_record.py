"""The host's record: whatever is torn or lost of the last write, the last good state is found."""

from __future__ import annotations

import errno
import fcntl
import multiprocessing
import os
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import holding
from orchestrator.onhost.safety import record as record_module
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.system import boot


def _saved(folder: Path, *names: str) -> Record:
    record = Record(str(folder / "record"))
    with record.locked():
        for name in names:
            record.save({"run_id": name, "before": ["x" * 50]})
    return record


def _newest(record: Record) -> Path:
    state = record.load()
    assert state is not None
    return Path(record.directory) / f"record.{state['serial'] % 2}"


def test_the_last_state_is_found(tmp_path: Path) -> None:
    assert _saved(tmp_path, "one", "two", "three").load()["run_id"] == "three"


def test_whoever_comes_for_a_record_that_is_gone_leaves_no_folder_behind(tmp_path: Path) -> None:
    """The helper's look after its watchdog may meet the very moment in which the host is given up."""
    record = _saved(tmp_path, "one")
    with record.locked():
        record.remove()
    assert not Path(record.directory).exists()
    with record.locked():
        assert record.load() is None
    assert not Path(record.directory).exists()


def test_a_write_that_is_torn_at_any_byte_leaves_the_state_before(tmp_path: Path) -> None:
    record = _saved(tmp_path, "one", "two", "three")
    file = _newest(record)
    whole = file.read_bytes()
    for length in range(len(whole)):
        file.write_bytes(whole[:length])
        assert record.load()["run_id"] == "two", length
    file.write_bytes(whole)
    assert record.load()["run_id"] == "three"


def test_a_write_with_any_bit_wrong_leaves_the_state_before(tmp_path: Path) -> None:
    record = _saved(tmp_path, "one", "two")
    file = _newest(record)
    whole = file.read_bytes()
    for place in range(len(whole)):
        for bit in range(8):
            damaged = bytearray(whole)
            damaged[place] ^= 1 << bit
            file.write_bytes(damaged)
            assert record.load()["run_id"] == "one", (place, bit)


def test_a_file_left_half_written_is_nobodys_state(tmp_path: Path) -> None:
    record = _saved(tmp_path, "one")
    (Path(record.directory) / "record.0.new").write_bytes(b"garbage")
    assert record.load()["run_id"] == "one"
    with record.locked():
        record.save({"run_id": "two"})
        record.remove()
    assert not Path(record.directory).exists()


def test_after_a_torn_write_the_next_one_does_not_destroy_the_good_state(tmp_path: Path) -> None:
    record = _saved(tmp_path, "one", "two")
    torn = _newest(record)
    torn.write_bytes(torn.read_bytes()[:10])
    with record.locked():
        record.save({"run_id": "three"})
    assert record.load()["run_id"] == "three"
    torn.write_bytes(b"")
    assert record.load()["run_id"] in ("one", "three")


def test_a_full_disk_is_a_refusal_and_the_state_before_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = _saved(tmp_path, "one", "two")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with record.locked(), pytest.raises(Refusal) as refused:
        record.save({"run_id": "three"})
    assert refused.value.code == "record"
    assert "No space left" in refused.value.message
    assert record.load()["run_id"] == "two"


def test_on_a_full_disk_the_older_of_the_two_makes_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host whose /run has been filled up by somebody can still note what becomes of our changes."""
    record = _saved(tmp_path, "one", "two")
    write = Record._write

    def write_where_there_is_room(path: str, text: bytes) -> None:
        if len(list(Path(record.directory).glob("record.?"))) == 2:
            raise OSError(28, "No space left on device")
        write(path, text)

    monkeypatch.setattr(Record, "_write", staticmethod(write_where_there_is_room))
    with record.locked():
        record.save({"run_id": "three"})
        assert record.load()["run_id"] == "three"
    assert sorted(file.name for file in Path(record.directory).glob("record.*")) == ["record.0", "record.1"]


@pytest.mark.parametrize("kind", ["a link to another place", "a file", "readable by others"])
def test_a_folder_that_is_not_ours_alone_is_not_used(kind: str, tmp_path: Path) -> None:
    """/tmp is everybody's: somebody may have put something by that name there."""
    place, elsewhere = tmp_path / "record", tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    if kind == "a link to another place":
        place.symlink_to(elsewhere)
    elif kind == "a file":
        place.write_text("")
    else:
        place.mkdir()
        place.chmod(0o755)
    with pytest.raises(Refusal) as refused, Record(str(place)).locked():
        pass
    assert refused.value.code == "record"
    assert list(elsewhere.iterdir()) == []


def test_the_lock_is_one_at_a_time_and_bounded(tmp_path: Path) -> None:
    record = Record(str(tmp_path / "record"))
    with record.locked():
        started = time.monotonic()
        with pytest.raises(Refusal) as refused, Record(record.directory).locked(0.2):
            pass
        assert refused.value.code == "locked"
        assert time.monotonic() - started < 10
    with record.locked(0.2):
        pass


def test_whoever_waits_for_the_lock_in_vain_is_told_who_holds_it(tmp_path: Path) -> None:
    record = Record(str(tmp_path / "record"))
    with record.locked(), pytest.raises(Refusal) as refused, Record(record.directory).locked(0.1):
        pass
    name = Path("/proc/self/comm").read_text().strip()
    assert (refused.value.values["pid"], refused.value.values["name"]) == (os.getpid(), name)
    assert f"process {os.getpid()} ({name}) has held the host's lock for 0 s" in refused.value.message


def test_a_child_that_outlives_a_change_keeps_no_lock_and_one_that_outlives_its_parent_is_told(tmp_path: Path) -> None:
    """A descriptor inherited is the same lock: it ends with the change, not with the last who has it open."""
    record = _saved(tmp_path, "one")
    told, tell = os.pipe()
    parent = os.fork()
    if parent == 0:
        try:
            for killed in (False, True):
                with record.locked():
                    child = os.fork()
                    if child == 0:
                        os.close(tell)
                        time.sleep(60)
                        os._exit(0)
                    if killed:
                        os.write(tell, f"{child}".encode())
                        os.kill(os.getpid(), 9)
                os.write(tell, f"{child} ".encode())
        finally:
            os._exit(0)
    os.waitpid(parent, 0)
    os.close(tell)
    with os.fdopen(told) as handle:
        children = [int(word) for word in handle.read().split()]
    try:
        assert len(children) == 2, "the first child had the lock when it was wanted again"
        with pytest.raises(Refusal) as refused, record.locked(0.1):
            pass
        assert f"process {parent}, which took the host's lock 0 s ago, is gone" in refused.value.message
    finally:
        for child in children:
            os.kill(child, 9)


def test_a_lock_on_a_file_that_was_just_removed_is_no_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between opening the lock file and locking it, the one who held it released the host and took the folder away."""
    place, removed = str(tmp_path / "record"), []

    def flock(lock: int, how: int) -> None:
        if not removed:
            removed.append(lock)
            Record(place).remove()
        fcntl.flock(lock, how)

    monkeypatch.setattr(
        record_module,
        "fcntl",
        SimpleNamespace(flock=flock, LOCK_EX=fcntl.LOCK_EX, LOCK_NB=fcntl.LOCK_NB, LOCK_UN=fcntl.LOCK_UN),
    )
    with Record(place).locked():
        assert removed
        with pytest.raises(Refusal, match="another change"), Record(place).locked(0.1):
            pass


def test_the_folder_stays_when_the_next_one_is_in_it_already(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It came between the removal of the lock and that of the folder."""
    record, folder = _saved(tmp_path, "one"), tmp_path / "record"
    real = os.rmdir

    def rmdir(path: str) -> None:
        (folder / "lock").touch()
        real(path)

    monkeypatch.setattr(os, "rmdir", rmdir)
    record.remove()
    assert [file.name for file in folder.iterdir()] == ["lock"]


def _count_up(folder: str, counter: str, times: int) -> None:
    record, file = Record(folder), Path(counter)
    for _ in range(times):
        with record.locked(60):
            count = int(file.read_text()) + 1
            record.save({"count": count})
            time.sleep(0.0005)
            file.write_text(str(count))
            if count % 3 == 0:  # a release: the folder goes, and with it the lock that others wait for
                record.remove()


def test_nobody_gets_in_between_when_the_folder_is_removed_under_the_lock(tmp_path: Path) -> None:
    """Four processes count one number up; every lost update would show."""
    counter = tmp_path / "counter"
    counter.write_text("0")
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_count_up, args=(str(tmp_path / "record"), str(counter), 50)) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(100)
    assert [worker.exitcode for worker in workers] == [0] * 4
    assert counter.read_text() == "200"


@pytest.mark.parametrize("number", [errno.EIO, errno.ENFILE, errno.ENOMEM])
def test_a_record_that_cannot_be_read_just_now_is_not_taken_for_none(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watchdog would go away, and the next run would take what the last one left for how the host was found."""
    record = _saved(tmp_path, "one", "two")

    def trouble(path: object, *more: object, **others: object) -> object:
        if str(path) == str(_name_of(record, 0)):
            raise OSError(number, os.strerror(number))
        return os.fdopen(os.open(str(path), os.O_RDONLY), *more, **others)  # type: ignore[call-overload]

    monkeypatch.setattr(record_module, "open", trouble, raising=False)
    with pytest.raises(Refusal) as refused:
        record.load()
    assert refused.value.code == "record"
    monkeypatch.undo()
    assert record.load()["run_id"] == "two"


def _name_of(record: Record, number: int) -> Path:
    return Path(record.directory) / f"record.{number}"


@pytest.mark.parametrize(
    "what", ["somebody else's folder", "a link to a folder", "a folder that all may write into", "a file"]
)
def test_nothing_is_read_from_a_place_that_others_can_write_to(what: str, tmp_path: Path) -> None:
    """/tmp is everybody's: a forged record, or a pipe that nobody writes into, would be read by the helper's loop."""
    theirs = _saved(tmp_path / "theirs", "forged") if (tmp_path / "theirs").mkdir() is None else None
    assert theirs is not None
    place = tmp_path / "record"
    if what == "a link to a folder":
        place.symlink_to(theirs.directory)
    elif what == "a file":
        place.write_text("forged")
    else:
        Path(theirs.directory).rename(place)
        if what == "somebody else's folder":
            os.chown(place, 12345, 12345)
        else:
            place.chmod(0o777)
    with pytest.raises(Refusal, match="not a folder of this user's own"):
        Record(str(place)).load()


def test_the_helper_lives_on_where_its_record_is_somebody_elses(tmp_path: Path) -> None:
    place = tmp_path / "record"
    place.mkdir(mode=0o777)
    place.chmod(0o777)
    os.mkfifo(place / "record.0")  # to open it would wait for ever
    assert holding.lacks_watchdog(Record(str(place))) is False


def test_an_ordinary_users_record_lies_where_nobody_takes_its_name_if_that_outlives_the_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`/run/user/UID` of a user who does not linger goes ten seconds after the last session.

    UserStopDelaySec in logind.conf(5); the ten seconds are from memory.
    """
    uid = os.getuid()
    own, seen = SimpleNamespace(st_mode=0o40700, st_uid=uid), []
    monkeypatch.setattr(boot.os, "lstat", lambda path: seen.append(path) or own)
    monkeypatch.setattr(boot.os.path, "exists", lambda path: path.startswith("/var/lib/systemd/linger/"))
    assert boot.user_record_folder(uid) == f"/run/user/{uid}/linktrial"
    assert seen == [f"/run/user/{uid}"]
    for mode, owner in ((0o40777, uid), (0o40700, uid + 1), (0o120777, uid)):
        own.st_mode, own.st_uid = mode, owner
        assert boot.user_record_folder(uid) == f"/tmp/linktrial-{uid}"
    own.st_mode, own.st_uid = 0o40700, uid
    monkeypatch.setattr(boot.os.path, "exists", lambda path: False)
    assert boot.user_record_folder(uid) == f"/tmp/linktrial-{uid}"
