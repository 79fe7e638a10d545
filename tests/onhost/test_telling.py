"""What is measured is told at once: no line that takes nothing is waited for, and what is dropped is counted."""

from __future__ import annotations

import json
import socket

from orchestrator.onhost.service.frames import FrameReader
from orchestrator.onhost.service.messages import LONGEST_TIMEOUT_S, VERBS, check
from orchestrator.onhost.service.talk import _UNSENT_LIMIT_BYTES, Talk
from orchestrator.onhost.traffic.flow_series import _MOST_WAITING, FlowSeries
from orchestrator.onhost.traffic.telling import Telling
from orchestrator.onhost.traffic.window import Window, read_window
from orchestrator.planning.grammar import Trial
from tests.testing.pair_over_lo import pair_over_lo

S = 10**9
WINDOW = Window(0, S, 3601 * S, 3602 * S, 3604 * S, 3612 * S)


def _series(streams: int = 1) -> FlowSeries:
    pair = pair_over_lo([{"way": "transmit", "transport": "tcp", "streams": streams}], 2)
    return FlowSeries(pair.flows[0], "receive", WINDOW)


def test_a_controller_that_takes_nothing_blocks_nothing_and_what_is_dropped_is_counted():
    """The line's buffer and a megabyte behind it fill up; then new batches are dropped, and the end says how many."""
    here, there = socket.socketpair()
    with here, there:
        talk, series = Talk(here), _series()
        telling = Telling(talk, [series], list)
        for first in range(0, 100_000, 1000):
            series.add(first, [10**19 + place for place in range(1000)], [])
            telling.due_ns = 0
            telling.turn()
        assert len(talk._unsent) <= _UNSENT_LIMIT_BYTES
        there.setblocking(False)
        reader, told = FrameReader(), 0
        frames = []
        while True:
            talk.push()
            try:
                data = there.recv(1 << 20)
            except BlockingIOError:
                break
            frames += list(reader.feed(data))
        told = sum(len(batch["bytes"]) for frame in frames for batch in frame["body"]["intervals"]["series"])
        ended = telling.end()
        assert 0 < told < 100_000
        assert ended == {"dropped_intervals": 100_000 - told, "dropped_samples": 0}
        assert series.summary()["intervals"] == 100_000, "the figures rest on all of them"


def test_a_stream_that_stands_still_does_not_hold_up_the_others_for_ever():
    series = _series(streams=2)
    for first in range(0, 2000, 10):
        series.add(first, [5.0] * 10, [])
    assert len(series._waiting) <= _MOST_WAITING + 1
    assert series.left_out == 2000 - _MOST_WAITING
    assert series.take() == []


def test_several_streams_add_up_and_come_in_order():
    series = _series(streams=2)
    series.add(0, [1.0, 2.0, 3.0], [])
    series.add(0, [10.0, 20.0], [])
    [batch] = series.take()
    assert (batch["first"], batch["bytes"]) == (0, [11, 22])
    series.add(2, [30.0], [])
    [batch] = series.take()
    assert (batch["first"], batch["bytes"], batch["datagrams"]) == (2, [33], 0)


def test_the_longest_trial_that_check_accepts_fits_what_a_host_accepts():
    """24 h and an hour of warm-up; a second more is refused by check."""
    longest = Trial.model_validate({"length": "24h", "warmup": "1h"})
    assert longest.length_s == 24 * 3600
    for wrong in ({"length": "86401s"}, {"warmup": "3601s"}):
        try:
            Trial.model_validate(wrong)
        except ValueError:
            continue
        raise AssertionError(wrong)
    traffic_s = longest.length_s + longest.warmup_s
    request = {"id": 1, "verb": "clock", "args": {}, "timeout_s": traffic_s * 1.001 + 30}
    assert check(request).timeout_s < LONGEST_TIMEOUT_S
    lease = {"token": 5, "lease_s": 24 * 3600.0 + traffic_s * 1.001 + 20}
    assert VERBS["lease.renew"](lease) == ""
    now = 10**15
    told = {"start_ns": now, "window_from_ns": now + 3600 * S, "window_to_ns": now + round(traffic_s * S)}
    window = read_window(told)
    assert window.seconds == 24 * 3600
    assert json.dumps(window)
