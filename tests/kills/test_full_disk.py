"""Disks that are full or read-only, of the controller and of a host: the hosts end as found, and the words say why."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.lab.places import Place
from tests.kills.desk import Desk
from tests.spine.bench import plan_text

pytestmark = pytest.mark.lab
PLAN = plan_text(
    factors={"mtu": [9000, 4000]},
    order={"shuffle": False},
    lease="5s",
    trial={"length": "300ms", "warmup": "50ms", "settle": "0s", "replicates": 1},
)
Spoil = Callable[[Place, str], contextlib.AbstractContextManager[None]]
APPLY_OF_SECOND = {"kind": "intent", "command": "Apply", "position": 2}
MID_RUN: dict[str, dict[str, Any]] = {
    "before a change": APPLY_OF_SECOND,
    "after a trial": {"event": "Conducted", "position": 1},
    "while restoring": {"kind": "intent", "command": "Restore"},
}


@contextlib.contextmanager
def full(place: Place, folder: str) -> Iterator[None]:
    """Not a byte more fits."""
    used = int(place.output(["df", "--output=used", "-B1024", folder]).split()[-1])
    place.output(["mount", "-o", f"remount,size={used + 64}k", folder])
    place.output(["sh", "-c", f"cat /dev/zero > {folder}/filler 2>/dev/null || true"])
    try:
        yield
    finally:
        place.output(["rm", f"{folder}/filler"])
        place.output(["mount", "-o", "remount,size=64m", folder])


@contextlib.contextmanager
def read_only(place: Place, folder: str) -> Iterator[None]:
    """No file can be opened to be written any more; those that are open can be, as on no real disk."""
    place.output(["mount", "--bind", folder, folder])
    place.output(["mount", "-o", "remount,bind,ro", folder])
    try:
        yield
    finally:
        place.output(["umount", "--lazy", folder])


@pytest.fixture
def disk(desk: Desk, request: pytest.FixtureRequest) -> Iterator[str]:
    """A file system of its own for the run's folder, as the controller sees it."""
    folder = desk.folder / f"disk-{abs(hash(request.node.name))}"
    folder.mkdir()
    desk.lab.controller.output(["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(folder)])
    yield str(folder)
    desk.lab.controller.output(["umount", "--lazy", str(folder)])


def begin_on(desk: Desk, disk: str, **more: Any) -> None:
    desk.said = desk.folder / f"{Path(disk).name}.txt"
    desk.order(["run", desk.bench.write(PLAN, "disk.yaml"), "--out", f"{disk}/out"], **more)
    desk.out = desk.lab.controller.path(f"{disk}/out")  # as it is seen from out here


@pytest.mark.parametrize("spoil", [full, read_only])
def test_a_run_that_cannot_be_written_is_refused_before_any_host_is_contacted(desk: Desk, disk: str, spoil: Spoil):
    with spoil(desk.lab.controller, disk):
        begin_on(desk, disk)
        assert desk.end() == 3
    assert "cannot write" in desk.words()
    assert "reached" not in desk.words()
    assert desk.differences() == []


@pytest.mark.parametrize(
    ("spoil", "moment"),
    [
        (full, "after a trial"),
        pytest.param(full, "before a change", marks=pytest.mark.proof),
        pytest.param(full, "while restoring", marks=pytest.mark.proof),
        pytest.param(read_only, "after a trial", marks=pytest.mark.proof),
    ],
)
def test_a_run_whose_disk_fails_puts_the_hosts_back_and_is_resumed_later(
    desk: Desk, disk: str, moment: str, spoil: Spoil
):
    begin_on(desk, disk, stop_at=MID_RUN[moment])
    assert desk.hear().startswith("at ")
    with spoil(desk.lab.controller, disk):
        assert desk.end() == 6, desk.words()
        assert desk.differences() == []
    assert "make room" in desk.words()
    assert "Traceback" not in desk.words()
    run = desk.run()
    assert run is not None
    desk.order(["resume", f"{disk}/out/{run.name}"])
    assert desk.end() == 0, desk.words()
    assert set(desk.state().outcomes) >= {1, 2}
    assert desk.differences() == []


@pytest.mark.parametrize("spoil", [full, read_only])
def test_a_host_that_cannot_keep_a_record_is_not_taken(desk: Desk, spoil: Spoil):
    desk.begin(desk.bench.write(PLAN, "disk.yaml"), f"host-{spoil.__name__}-first", stop_at={"event": "Connected"})
    assert desk.hear().startswith("at ")
    with spoil(desk.lab.hosts["hall"], "/run"):
        assert desk.end() == 3, desk.words()
    assert "hall: this host cannot keep its record in /run/linktrial" in desk.words()
    assert desk.differences() == []


def test_a_host_whose_disk_fills_up_later_still_notes_what_it_owes(desk: Desk):
    desk.begin(desk.bench.write(PLAN, "disk.yaml"), "host-full-later", stop_at=APPLY_OF_SECOND)
    assert desk.hear().startswith("at ")
    with full(desk.lab.hosts["hall"], "/run"):
        assert desk.end() == 0, desk.words()
        assert desk.differences() == []
    assert {outcome["status"] for outcome in desk.state().outcomes.values()} == {"valid"}


def test_a_host_that_can_note_nothing_any_more_is_not_changed_any_more_and_restores_itself(desk: Desk):
    """The run cannot see it back: exit code 5 with what to do, and nothing untried is called impossible."""
    desk.begin(desk.bench.write(PLAN, "disk.yaml"), "host-read-only-later", stop_at=APPLY_OF_SECOND)
    assert desk.hear().startswith("at ")
    with read_only(desk.lab.hosts["hall"], "/run/linktrial"):
        assert desk.end() == 5, desk.words()
        assert desk.bench.mtu("dome") == 1500
        until = time.monotonic() + 20.0
        while desk.bench.mtu("hall") != 1500:
            assert time.monotonic() < until, "its watchdog has what it needs: the values, and the time"
            time.sleep(0.05)
    assert "cannot keep its record" in desk.words()
    assert f"linktrial recover {desk.run()}" in desk.words()
    assert "impossible" not in {outcome["status"] for outcome in desk.state().outcomes.values()}
    desk.order(["recover", desk.run() or ""])
    assert desk.end() == 0, desk.words()
    assert desk.differences() == []
