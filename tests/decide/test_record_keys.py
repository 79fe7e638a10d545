"""A trial's record: one list of keys, and those of older journals still read."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from orchestrator.decide.shapes.record import as_now, new_record
from orchestrator.decide.verdict.evidence import each_link, goodputs, ways
from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial
from tests.decide.records import healthy_record


def _as_older(record: dict[str, Any]) -> dict[str, Any]:
    """The same as an older version wrote it: a trial's number twice, a sender's window by another name."""
    old = copy.deepcopy(record) | {"trial": record["position"]}
    for end in ("first", "second"):
        for part in old[end]["parts"]:
            part["seconds"] = part["window_s"]
            if part["part"] == "send":
                del part["window_s"]
    return old


@pytest.mark.parametrize("transport", ["tcp", "udp"])
@pytest.mark.parametrize("direction", ["transmit", "bidirectional"])
def test_an_older_record_gives_the_figures_of_todays(transport: str, direction: str) -> None:
    today = healthy_record(transport=transport, direction=direction, seed=5)
    read = as_now(_as_older(today))
    assert read == today
    assert goodputs(read) == goodputs(today)
    assert [way.offered_load_bit_s for way in ways(read)] == [way.offered_load_bit_s for way in ways(today)]
    assert None not in [way.offered_load_bit_s for way in ways(read)]


def test_a_trial_that_never_began_has_every_key_of_one_that_did() -> None:
    traffic = {"direction": "transmit", "together": ("uplink", "backup")}
    cell = Cell(1, "key", {"mtu": 1500}, (), "uplink", traffic)
    trial = Trial(position=3, cell=1, replicate=1, block=1, whole_plot=1)
    never, began = new_record(trial, cell, 0), new_record(trial, cell, 2, "2026-01-01T00:00:00Z")
    assert never.keys() == began.keys()
    assert [one["link"] for one in each_link(never)] == ["uplink", "backup"]
    assert never["settle_s"] is None
    assert began["settle_s"] == 0.0
