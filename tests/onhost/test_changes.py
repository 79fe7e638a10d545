"""What a change leaves on the record when it goes wrong, and what may not begin any more while others wait for it."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import changes, holding, lease, restoring, watchdog
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from tests.onhost.at_once import AtOnce


class Dial(AtOnce):
    """A setting over a file; `on_apply` and `on_restore` are what happens while it is written."""

    survives_reboot = False

    def __init__(self, path: Path) -> None:
        self.path = path
        self.path.write_text("old")
        self.on_apply = self.on_restore = lambda: None

    def read(self, target: str, level: Any = None) -> str:
        return self.path.read_text()

    def check(self, target: str, level: Any) -> str:
        return ""

    def apply(self, target: str, level: Any) -> None:
        self.on_apply()
        self.path.write_text(level)

    def verify(self, target: str, level: Any) -> dict[str, Any]:
        return {"ok": self.read(target) == level, "seen": self.read(target), "why": ""}

    def restore(self, target: str, before: Any) -> None:
        self.on_restore()
        self.path.write_text(before)

    def same(self, before: Any, now: Any) -> bool:
        return bool(before == now)

    def mend_command(self, target: str, value: Any) -> str:
        return f"set it to {value}"


class Bench:
    """A host with two dials, taken by a run that has looked at both."""

    def __init__(self, folder: Path) -> None:
        self.dials = {name: Dial(folder / name) for name in ("first", "second")}
        self.record = Record(str(folder / "linktrial"))
        self.places = [{"setting": name, "target": "x", "level": "new"} for name in self.dials]
        state = lease.acquire(
            None,
            {"run_id": "r1", "holder": "ann", "lease_s": 60.0},
            now_ns=boottime_ns(),
            wall_ns=1,
            boot=boot_id(),
            netns=1,
            survives=lambda name: False,
        )
        self.token = state["token"]
        with self.record.locked():
            self.record.save({**state, "before": [{**place, "value": "old"} for place in self.places]})

    def apply(self, *uses: dict[str, Any], confirm_s: float | None = None) -> list[dict[str, Any]]:
        return list(changes.apply(self.record, self.token, list(uses), 1, confirm_s)["uses"])

    def edit(self, **values: Any) -> None:
        """Change the record from outside, as another process does."""
        state = self.record.load()
        assert state is not None
        self.record.save({**state, **values})

    def restored(self) -> dict[str, Any]:
        """The next run of `recover`."""
        self.edit(deadline_ns=boottime_ns())
        return dict(holding.recover(self.record, "r1"))


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    made = Bench(tmp_path)
    for room in (changes, restoring):
        monkeypatch.setattr(room, "setting_of", made.dials.__getitem__)
        monkeypatch.setattr(room, "in_order", lambda entries, *more: list(entries))
    return made


def test_a_place_that_a_later_cell_gave_back_only_in_part_is_restored_at_the_end(bench: Bench) -> None:
    """Neither the value before nor a level of ours is to be read then: that is no sign of somebody else."""
    dial, (place, _) = bench.dials["first"], bench.places
    bench.apply(place)

    def half() -> None:
        dial.path.write_text("half")
        raise Refusal("failed", "the second half was refused")

    dial.on_restore = half
    (seen,) = bench.apply({**place, "as_found": True})
    assert not seen["ok"]
    dial.on_restore = lambda: None
    found = bench.restored()
    assert (found["conflicts"], dial.path.read_text()) == ([], "old")


def test_nothing_more_is_changed_once_changes_on_probation_were_taken_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first takes longer than the probation; the second would stay, and with it a way here that may be cut."""
    real = changes._apply_one

    def one_after_the_other(record: Record, token: int, use: dict[str, Any], **more: Any) -> dict[str, Any]:
        if use["setting"] == "second":
            bench.edit(probation={**(record.load() or {})["probation"], "until_ns": 0})
            assert not watchdog.restore_if_due(record), "the lease goes on"
            assert bench.dials["first"].path.read_text() == "old"
        return real(record, token, use, **more)

    monkeypatch.setattr(changes, "_apply_one", one_after_the_other)
    with pytest.raises(Refusal) as refused:
        bench.apply(*bench.places, confirm_s=15.0)
    assert refused.value.code == "reverted"
    assert bench.dials["second"].path.read_text() == "old"


def test_a_change_that_ends_after_the_watchdog_has_restored_does_not_write_over_what_it_noted(bench: Bench) -> None:
    """The watchdog does not wait for a slow change for ever; what it found is newer than what that change saw."""
    dial = bench.dials["first"]
    dial.on_apply = lambda: bench.edit(standing="left", outcome={"restored": []})
    with pytest.raises(Refusal) as refused:
        bench.apply(bench.places[0])
    assert refused.value.code == "expired"
    assert dial.path.read_text() == "new"
    watchdog.restore_if_due(bench.record)
    assert dial.path.read_text() == "old", "it is ours, although it came late"


def test_recovering_answers_also_where_a_stuck_driver_keeps_the_host_from_being_compared(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stays is told with its command; a timeout would tell nothing."""
    bench.apply(bench.places[0])
    bench.edit(image={"link": 1})
    room = SimpleNamespace(take_image=lambda interfaces: time.sleep(60), differences=dict)
    monkeypatch.setattr(holding, "image_room", lambda: room)
    monkeypatch.setattr(holding, "COMPARE_TIMEOUT_S", 0.2, raising=False)
    found = bench.restored()
    assert (found["left"], found["compared"]) == ([], None)
    assert bench.dials["first"].path.read_text() == "old"
