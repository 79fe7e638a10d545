"""Stopped anywhere, with any fate of what was not flushed, and stopped again in the recovery: the host comes back.

Every step of the record's disk and of the settings is a place to stop. After the crash(es) one undisturbed recovery
must leave every value as it was found, and nothing of ours behind.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost import catalogue
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import changes, holding, record, restoring, watchdog
from orchestrator.onhost.safety.record import Record
from tests.onhost.at_once import AtOnce
from tests.onhost.crash_disk import FATES, CrashingOs, Steps, Stopped

FOUND = {"a": 1, "b": 2, "c": 3}


class Values(AtOnce):
    """A setting over a few values in memory; a write has a moment in which it is half done."""

    survives_reboot = False

    def __init__(self, steps: Steps) -> None:
        self.steps, self.now = steps, dict(FOUND)

    def check(self, target: str, level: Any) -> str:
        return ""

    def read(self, target: str, level: Any = None) -> Any:
        return self.now[target]

    def apply(self, target: str, level: Any) -> None:
        self.steps.step()
        self.now[target] = -1  # half done
        self.steps.step()
        self.now[target] = level
        self.steps.step()

    def verify(self, target: str, level: Any) -> dict[str, Any]:
        return {"ok": self.now[target] == level, "seen": self.now[target], "why": ""}

    def restore(self, target: str, before: Any) -> None:
        self.apply(target, before)

    def same(self, before: Any, now: Any) -> bool:
        return bool(before == now)

    def mend_command(self, target: str, value: Any) -> str:
        return f"set {target} {value}"


class World:
    """A host whose memory is the disk folder and the values; its processes may stop at any step."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.patch = folder, monkeypatch
        self.values = Values(Steps())

    def with_steps(self, steps: Steps) -> Steps:
        self.values.steps = steps
        self.patch.setattr(record, "os", CrashingOs(steps))
        return steps

    def run(self) -> None:
        """One run: take, prepare, change two places, one of them twice, restored, release."""
        host = Record(str(self.folder))
        token = holding.acquire(host, {"run_id": "r1", "holder": "ann", "lease_s": 60.0})["token"]
        places = [{"setting": "value", "target": name, "level": 10} for name in FOUND]
        changes.prepare(host, token, [], places)
        changes.apply(host, token, places[:2])
        changes.apply(host, token, [{**places[0], "level": 20}])
        assert holding.restore(host, token)["left"] == []
        holding.release(host, token)

    def remember(self) -> tuple[dict[str, bytes], dict[str, int]]:
        """All that outlives a stop."""
        return {file.name: file.read_bytes() for file in self.folder.glob("*")}, dict(self.values.now)

    def put(self, remembered: tuple[dict[str, bytes], dict[str, int]]) -> None:
        """The world as it was remembered."""
        files, self.values.now = remembered[0], dict(remembered[1])
        self.folder.mkdir(mode=0o700, exist_ok=True)
        for name, content in files.items():
            (self.folder / name).write_bytes(content)

    def recover(self) -> dict[str, Any]:
        return holding.recover(Record(str(self.folder)), "r1")


class _NoImage:
    """The image is another room's; here it is always the same."""

    @staticmethod
    def take_image(interfaces: list[str]) -> dict[str, Any]:
        return {"items": {}}

    @staticmethod
    def differences(before: Any, now: Any, touched: Any) -> dict[str, list[Any]]:
        return {"touched": [], "other": []}


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[World]:
    # in memory, as the record is on a host; a disk makes thousands of renames slow
    place = Path(tempfile.mkdtemp(dir="/dev/shm")) if Path("/dev/shm").is_dir() else tmp_path
    made = World(place / "linktrial", monkeypatch)
    for module in (changes, restoring, catalogue):
        monkeypatch.setattr(module, "setting_of", lambda name: made.values)
    for module in (changes, holding):
        monkeypatch.setattr(module, "image_room", lambda: _NoImage)
    for room in (restoring, holding):  # in this process: its stop is ours
        monkeypatch.setattr(room, "run_bounded", lambda step, timeout_s: step())
    monkeypatch.setattr(watchdog, "start", lambda host: {})
    monkeypatch.setattr(watchdog, "stop", lambda state: None)
    monkeypatch.setattr(watchdog, "alive", lambda state: False)
    yield made
    shutil.rmtree(place)


def _stops(world: World, steps: Steps, work: Any) -> bool:
    """Whether the work was stopped; anything else it may raise is a failure of the test."""
    world.with_steps(steps)
    try:
        work()
    except Stopped:
        return True
    return False


def _begin_again(world: World) -> None:
    world.values.now = dict(FOUND)
    world.with_steps(Steps())
    for file in world.folder.glob("*"):
        file.unlink()


def _as_found(world: World) -> None:
    world.with_steps(Steps())
    world.recover()
    assert world.values.now == FOUND
    assert not world.folder.exists()


def _steps_of_a_run(world: World) -> int:
    steps = world.with_steps(Steps())
    world.run()
    assert world.values.now == FOUND
    return steps.count


def test_stopped_at_any_step_the_host_comes_back(world: World) -> None:
    states = 0
    for stop_at in range(1, _steps_of_a_run(world) + 1):
        for fate in FATES:
            _begin_again(world)
            assert _stops(world, Steps(stop_at, fate), world.run)
            _as_found(world)
            states += 1
    print(f"{states} single stops, none left a host changed")
    assert states > 150


def test_stopped_again_at_any_step_of_the_recovery_the_host_comes_back(world: World) -> None:
    """The second stop's fate goes round; all four of each by the proof below."""
    states = _stop_twice(world, lambda again_at: [FATES[again_at % len(FATES)]])
    assert states > 1500


@pytest.mark.proof
@pytest.mark.timeout(1800)
def test_stopped_again_with_every_pair_of_fates_the_host_comes_back(world: World) -> None:
    states = _stop_twice(world, lambda again_at: list(FATES))
    assert states > 6000


def _stop_twice(world: World, fates_of: Callable[[int], list[str]]) -> int:
    """How many double stops there are; fails when one of them leaves the host changed."""
    states = 0
    for stop_at in range(1, _steps_of_a_run(world) + 1):
        for fate in FATES:
            _begin_again(world)
            _stops(world, Steps(stop_at, fate), world.run)
            after_first = world.remember()
            for again_at in range(1, 1000):
                fates = fates_of(again_at)
                stopped = [_stop_again(world, after_first, Steps(again_at, each)) for each in fates]
                if not any(stopped):  # the recovery has fewer steps than that: all its stops were tried
                    break
                states += len(fates)
    print(f"{states} double stops, none left a host changed")
    return states


def _stop_again(world: World, after_first: tuple[dict[str, bytes], dict[str, int]], steps: Steps) -> bool:
    world.put(after_first)
    stopped = _stops(world, steps, world.recover)
    _as_found(world)
    return stopped


def test_a_disk_error_at_any_step_is_a_refusal_and_the_host_comes_back(world: World) -> None:
    """The n-th write fails, once or for good, for every n until none fails."""
    for lasting in (False, True):
        for fail_at in range(1, 1000):
            _begin_again(world)
            failing = world.with_steps(Steps())
            disk = CrashingOs(failing)
            count = 0

            def fsync(handle: int, disk: CrashingOs = disk, fail_at: int = fail_at, lasting: bool = lasting) -> None:
                nonlocal count
                count += 1
                if count == fail_at or (lasting and count > fail_at):
                    raise OSError(28, "No space left on device")
                disk.fsync(handle)

            world.patch.setattr(record, "os", _Overriding(disk, fsync))
            assert _refusal(world) in ("", "record")
            _as_found(world)
            if count < fail_at:
                break
        assert fail_at > 10


def _refusal(world: World) -> str:
    try:
        world.run()
    except Refusal as refusal:
        return refusal.code
    return ""


class _Overriding:
    """The same `os`, with another fsync."""

    def __init__(self, below: CrashingOs, fsync: Any) -> None:
        self._below, self.fsync = below, fsync

    def __getattr__(self, name: str) -> Any:
        return getattr(self._below, name)
