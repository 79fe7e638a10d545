"""Restoring settings that depend on each other: in an order that works, judged when all of them are back."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from orchestrator.onhost import ethtool
from orchestrator.onhost import settings as room
from orchestrator.onhost.safety import lease, restoring
from orchestrator.onhost.settings import catalogue, in_order
from tests.testing.fake_host import INTERFACE, fake_host
from tests.testing.fake_kernel import FakeKernel


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> FakeKernel:
    host = fake_host()
    monkeypatch.setattr(room, "CATALOGUE", catalogue(host))

    def here(step: Callable[[], Any], timeout_s: float) -> Any:
        """In this process: a forked child would change a copy of the host in memory."""
        return step()

    monkeypatch.setattr(restoring, "run_bounded", here)
    return host


def changed(*steps: tuple[str, Any]) -> dict[str, Any]:
    """The record of a host on which these levels were applied, in this order."""
    state: dict[str, Any] = {"changes": [], "before": [], "standing": "held", "outcome": None}
    for name, level in steps:
        setting = room.CATALOGUE[name]
        place = {"setting": name, "target": INTERFACE, "level": level}
        if lease.before_of(state, place) is None:
            state["before"].append({**place, "value": setting.read(INTERFACE, level)})
    for name, level in steps:
        place = {"setting": name, "target": INTERFACE, "level": level}
        state = lease.note_intent(state, place)
        room.CATALOGUE[name].apply(INTERFACE, level)
        state = lease.note_done(state, place, room.CATALOGUE[name].read(INTERFACE, level))
    return state


@pytest.mark.parametrize(
    "steps",
    [
        [("checksum-offload", "off"), ("segmentation-offload", "off")],
        [("segmentation-offload", "off"), ("segmentation-offload", "on"), ("checksum-offload", "off")],
        [("mtu", 9000), ("receive-ring", 512), ("channels", 4)],
        [("receive-ring", 512), ("interrupt-coalescing", "rx-usecs=9"), ("channels", 1), ("mtu", 1000)],
    ],
)
def test_settings_that_depend_on_each_other_all_come_back(kernel: FakeKernel, steps: list[tuple[str, Any]]) -> None:
    as_found = (kernel.features(INTERFACE), kernel.links(), copy.deepcopy(kernel.tables))
    state = changed(*steps)
    outcome = restoring.restored(state, "controller")["outcome"]
    assert outcome["left"] == outcome["conflicts"] == []
    assert (kernel.features(INTERFACE), kernel.links(), kernel.tables) == as_found


def a_card_with_four_queues(kernel: FakeKernel, kinds: list[str]) -> Callable[[], list[Any]]:
    """All four in use, each waiting as the kernel made it; what is there to be compared."""
    index = kernel.links_by_name[INTERFACE]["index"]
    kernel.tables[INTERFACE, ethtool.CHANNELS]["combined"] = 4
    kernel.queue_kinds_by_index[index] = kinds
    return lambda: [kernel.qdiscs(index), copy.deepcopy(kernel.tables)]


@pytest.mark.parametrize(
    "steps",
    [
        [("channels", 1), ("queueing", "fq")],
        [("queueing", "fq"), ("channels", 1), ("queueing", "default")],
        [("channels", 1), ("queueing", "fq"), ("queueing", "default"), ("channels", 2), ("queueing", "fq")],
        [("channels", 1), ("queueing", "fq"), ("queueing", "default"), ("channels", 3)],
    ],
)
def test_every_queue_waits_again_as_it_was_found(kernel: FakeKernel, steps: list[tuple[str, Any]]) -> None:
    """A root that is made while one queue is in use gives the others another kind, which shows once they are used."""
    now = a_card_with_four_queues(kernel, ["fq_codel"] * 4)
    as_found = now()
    outcome = restoring.restored(changed(*steps), "controller")["outcome"]
    assert outcome["left"] == outcome["conflicts"] == []
    assert now() == as_found


@pytest.mark.parametrize("levels", [[1], [2, 3], [3, 1, 4]])
def test_queues_that_were_found_waiting_in_different_kinds_do_so_again(kernel: FakeKernel, levels: list[int]) -> None:
    """As on a card that was told to use four of its queues after two had been in use."""
    now = a_card_with_four_queues(kernel, ["fq_codel", "fq_codel", "pfifo_fast", "pfifo_fast"])
    as_found = now()
    outcome = restoring.restored(changed(*(("channels", level) for level in levels)), "controller")["outcome"]
    assert outcome["left"] == outcome["conflicts"] == []
    assert now() == as_found


def test_every_queue_of_a_level_waits_in_the_same_kind(kernel: FakeKernel) -> None:
    now = a_card_with_four_queues(kernel, ["fq_codel"] * 4)
    changed(("channels", 1), ("queueing", "fq"), ("queueing", "default"), ("channels", 4))
    assert [each["kind"] for each in now()[0]] == ["mq"] + ["fq_codel"] * 4


def test_queueing_that_could_not_be_restored_is_refused_with_the_command_that_helps(kernel: FakeKernel) -> None:
    a_card_with_four_queues(kernel, ["fq_codel", "pfifo_fast", "pfifo_fast", "pfifo_fast"])
    assert "tc qdisc replace dev eth1 root pfifo && " in room.CATALOGUE["queueing"].check(INTERFACE, "fq")


def test_a_setting_that_reads_as_before_once_another_is_back_is_restored(kernel: FakeKernel) -> None:
    """Segmentation, asked to be on, went with the checksums: it looks like a stranger's change until they are back."""
    state = changed(("segmentation-offload", "off"), ("segmentation-offload", "on"), ("checksum-offload", "off"))
    outcome = restoring.restored(state, "controller")["outcome"]
    assert {entry["setting"] for entry in outcome["restored"]} == {"segmentation-offload", "checksum-offload"}


def test_a_real_change_by_somebody_else_stays_reported(kernel: FakeKernel) -> None:
    state = changed(("transmit-queue-length", 50))
    kernel.links_by_name[INTERFACE]["transmit_queue_length"] = 77
    outcome = restoring.restored(state, "controller")["outcome"]
    assert [entry["setting"] for entry in outcome["conflicts"]] == ["transmit-queue-length"]
    assert kernel.links_by_name[INTERFACE]["transmit_queue_length"] == 77


def test_a_name_that_this_version_does_not_know_does_not_stop_the_ordering() -> None:
    uses = [{"setting": "from-the-future"}, {"setting": "mtu"}, {"setting": "receive-ring"}]
    assert [use["setting"] for use in in_order(uses, room.CATALOGUE)] == ["from-the-future", "receive-ring", "mtu"]
