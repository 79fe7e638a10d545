"""The watch on a host: changes that come and go are seen, and whatever is as it was is not called changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.external.before_apply import changed_before
from orchestrator.onhost.external.change import MAX_CHANGES, Changes
from orchestrator.onhost.external.watching import _Watcher
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.safety.told import told
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

pytestmark = pytest.mark.lab
NEAR = "near0"
COME_AND_GO = {
    f"mtu of {NEAR}": (f"ip link set {NEAR} mtu 4000", f"ip link set {NEAR} mtu 1500"),
    f"address 198.18.7.1 of {NEAR}": (
        f"ip address delete 198.18.7.1/24 dev {NEAR}",
        f"ip address add 198.18.7.1/24 dev {NEAR}",
    ),
    f"{NEAR} switched on": (f"ip link set {NEAR} down", f"ip link set {NEAR} up"),
    f"transmit queue length of {NEAR}": (f"ip link set {NEAR} txqueuelen 77", f"ip link set {NEAR} txqueuelen 1000"),
}


class Silent:
    """A line to the controller on which nothing is ever said."""

    def __init__(self) -> None:
        self.events: list[Any] = []

    def event(self, body: Any) -> None:
        self.events.append(body)


def _watched(what: str) -> list[str]:
    make_pair()
    run(f"ip address add 198.18.7.1/24 dev {NEAR}")
    talk = Silent()
    watcher = _Watcher(
        {"uses": [], "as_found": [], "interfaces": [{"interface": NEAR, "addresses": ["198.18.7.1"]}]},
        talk,
        Record(str(Path("/run/none"))),
    )
    try:
        assert watcher._look() > 0
        assert talk.events == []
        for words in COME_AND_GO[what]:  # both before anybody could have looked in between
            run(words)
        watcher._hear(watcher._told_by)
        return [change["what"] for change in watcher.changes.found]
    finally:
        watcher.close()


@pytest.mark.parametrize("what", COME_AND_GO)
def test_a_change_that_is_taken_back_before_anybody_looks_is_seen(what: str) -> None:
    assert what in in_own_namespace(_watched, what)


def _written() -> list[str]:
    talk = Silent()
    watcher = _Watcher({"uses": [], "as_found": [], "interfaces": []}, talk, Record(str(Path("/run/none"))))
    try:
        path = Path("/proc/sys/net/ipv4/tcp_rmem")
        path.write_text("4096 5000 6000")
        watcher._look()
        return [f"{change['what']} {change['now']}" for change in watcher.changes.found]
    finally:
        watcher.close()


def test_a_kernel_file_that_the_plan_does_not_set_is_watched_too() -> None:
    assert in_own_namespace(_written) == ["net.ipv4.tcp_rmem 4096 5000 6000"]


def test_each_change_is_told_once_and_not_without_end() -> None:
    changes = Changes()
    line = told("mtu of e0", 1500, 4000)
    assert len(changes.note([line, line])) == 1
    assert changes.note([line]) == []
    changes.note([told(f"mtu of e{number}", 1500, 4000) for number in range(200)])
    assert len(changes.found) == MAX_CHANGES


class Place:
    """A setting that reads what it is told."""

    cheap_to_read = True

    def __init__(self, now: int) -> None:
        self.now = now

    def read(self, target: str, level: Any) -> int:
        return self.now

    def same(self, before: int, now: int) -> bool:
        return before == now

    def may_be_moved_by(self, other: str) -> bool:
        return False

    def told(self, target: str, before: int, now: int) -> Any:
        return [told("mtu of e0", before, now)]


@pytest.mark.parametrize(
    ("change", "now", "named"),
    [
        (None, 1500, False),
        (None, 4000, True),
        ({"ours": [9000], "unfinished": False}, 9000, False),
        ({"ours": [9000], "unfinished": False}, 4000, True),
        ({"ours": [9000], "unfinished": False}, 1500, True),
        ({"ours": [9000, 3000], "unfinished": False}, 9000, True),
        ({"ours": [9000], "unfinished": True}, 4000, False),
        ({"ours": [9000], "unfinished": False, "as_found": True}, 1500, False),
        ({"ours": [9000], "unfinished": False, "as_found": True}, 9000, True),
    ],
)
def test_before_a_level_is_given_the_place_has_to_read_as_this_run_left_it(change: Any, now: int, named: bool) -> None:
    place = {"setting": "mtu", "target": "e0"}
    state = {"changes": [{**place, "levels": [], **change}] if change else []}
    found = changed_before(state, {**place, "level": 1500, "value": 1500}, Place(now))
    assert bool(found) == named
    if named:
        assert found["changed_outside"][0]["now"] == str(now)
