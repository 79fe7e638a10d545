"""What a path does on purpose: reordering, duplication, delay and its variation, beside the relay's own account."""

from __future__ import annotations

import struct
from typing import Any

import pytest

from orchestrator.metrics.delay_variation import above_min_percentile
from orchestrator.metrics.jitter import Jitter
from orchestrator.metrics.tcp import window_limited_bit_s
from tests.onhost.traffic.relay import Deeds, Rule, datagram_to, every, relaying
from tests.onhost.traffic.two_ends import PORTS, arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, join_by_relay

pytestmark = [pytest.mark.lab, pytest.mark.alone]

PORT = PORTS[0]
UDP: dict[str, Any] = {"way": "transmit", "transport": "udp", "datagram_bytes": 1000, "send_path": "single"}
PROBES = 2  # datagrams without a number that prove the way of sending, in front of all others


def over_a_relay(
    flows: list[dict[str, Any]],
    rule: Rule,
    looks_at: Any = None,
    *,
    length_s: float = 0.6,
    warmup_s: float = 0.1,
    **more: Any,
) -> tuple[dict[str, Any], dict[str, Any], Deeds]:
    def body() -> tuple[Any, Any, Any]:
        join_by_relay()
        with relaying("port0", "port1", rule, looks_at or datagram_to(PORT)) as end:
            dialled, served = run_pair(
                arguments(flows, **ends(**more)),
                length_s=length_s,
                warmup_s=warmup_s,
                dial_in=enter("near"),
                serve_in=enter("far"),
            )
            return dialled, served, end()

    return in_own_namespace(body)  # type: ignore[no-any-return]


@pytest.mark.parametrize("receive_path", ["coalesce", "batch", "single"])
def test_what_the_relay_doubled_is_counted_as_duplicate_and_not_as_payload(receive_path: str) -> None:
    flows = [flow(**UDP, intended_load_bit_s=8e6, receive_path=receive_path)]
    dialled, served, deeds = over_a_relay(flows, lambda number: (2 if number % 20 == 7 else 1, 0.0))
    sent, got = part(dialled, "send"), part(served, "receive")
    assert got["datagrams_received"] == sent["datagrams_sent"]
    # the two datagrams that prove the way of sending passed the relay as well
    assert 0 <= deeds.doubled - got["datagrams_duplicate"] <= 1
    assert got["datagrams_duplicate"] > 20
    assert got["received_bytes"] == 1000 * sent["datagrams_sent"]
    assert got["datagrams_reordered"] == 0


@pytest.mark.parametrize("receive_path", ["coalesce", "batch"])
def test_what_the_relay_held_back_arrives_reordered_each_once(receive_path: str) -> None:
    """Every 25th datagram is held for four intervals: RFC 4737 calls exactly those reordered."""
    interval_s = 8 * 1000 / 4e6
    flows = [flow(**UDP, intended_load_bit_s=4e6, receive_path=receive_path)]
    dialled, served, deeds = over_a_relay(flows, lambda number: (1, 4 * interval_s if number % 25 == 11 else 0.0))
    sent, got = part(dialled, "send"), part(served, "receive")
    assert got["datagrams_received"] == sent["datagrams_sent"]
    assert got["datagrams_duplicate"] == 0
    # the last one held may have no successor, and a held one of the warm-up's last counts in its own phase
    assert deeds.held > 5
    assert 0 <= deeds.held - got["datagrams_reordered"] <= 1


def test_datagrams_that_come_late_are_waited_for() -> None:
    """RFC 2544 section 23: two seconds. The last datagrams of the trial are on their way when sending has stopped."""
    flows = [flow(**UDP, intended_load_bit_s=800e3, receive_path="batch")]
    dialled, served, _ = over_a_relay(flows, lambda _: (1, 0.6), length_s=0.5)
    sent, got = part(dialled, "send"), part(served, "receive")
    assert got["datagrams_received"] == sent["datagrams_sent"]
    assert got["window_datagrams_received"] == sent["window_datagrams_sent"]
    assert got["error"] == ""


@pytest.mark.parametrize("way", ["transmit", "receive"])
def test_lost_hellos_and_welcomes_are_repeated(way: str) -> None:
    """The first frames of the pair's port are lost, in both directions, and then the trial runs as if nothing was."""

    def of_the_port(frame: bytes) -> bool:
        return frame[12:14] == b"\x08\x00" and frame[23] == 17 and frame[34:38] == struct.pack("!HH", PORT, PORT)

    flows = [flow(way, "udp", datagram_bytes=1000, intended_load_bit_s=800e3)]
    dialled, served, deeds = over_a_relay(flows, lambda number: (0 if number in (0, 2, 4, 6) else 1, 0.0), of_the_port)
    sent, got = (
        (part(dialled, "send"), part(served, "receive"))
        if way == "transmit"
        else (part(served, "send", way), part(dialled, "receive", way))
    )
    assert deeds.seen > 10
    assert got["window_datagrams_received"] == sent["window_datagrams_sent"] > 0


def test_a_known_pattern_of_delays_is_read_back_within_five_per_cent() -> None:
    """Two in eight datagrams 20 ms later: variation and jitter as the definitions give for the relay's own times."""
    pattern_s = [0.010, 0.010, 0.010, 0.030, 0.030, 0.010, 0.010, 0.010]
    flows = [flow(**UDP, intended_load_bit_s=160e3, receive_path="batch")]
    dialled, served, deeds = over_a_relay(flows, lambda number: (1, pattern_s[number % 8]), length_s=3.0)
    got = part(served, "receive")
    before, inside, _ = part(dialled, "send")["streams"][0]["datagrams_by_phase"]
    assert got["jitter_basis"] == "kernel receive times of every datagram"
    assert (got["datagrams_reordered"], got["window_datagrams_received"]) == (0, inside)
    held_s = [deeds.delays_s[PROBES + before + number] for number in range(inside)]
    expected = Jitter()
    for delay_s in held_s:
        expected.arrival(delay_s)
    assert got["delay_variation_p99_s"] == pytest.approx(above_min_percentile(held_s, 99), rel=0.05)
    assert got["jitter_mean_s"] == pytest.approx(expected.mean, rel=0.05)
    assert expected.mean == pytest.approx(0.005, rel=0.5), "two changes of 20 ms in eight"


@pytest.mark.parametrize("one_way_s", [0.005, 0.025])
def test_delay_shows_in_every_round_trip_time_within_a_millisecond(one_way_s: float) -> None:
    flows = [flow("transmit", "tcp", pacing_bit_s=20e6)]
    dialled, _, deeds = over_a_relay(flows, lambda _: (1, one_way_s), every, length_s=1.0, round_trip=True)
    tcp = part(dialled, "send")["tcp"]
    held_s = sorted(deeds.delays_s.values())
    min_s, low_s, high_s = (2 * held_s[int(share * len(held_s))] for share in (0, 0.25, 0.95))
    assert tcp["rtt_min_s"] == pytest.approx(min_s, abs=0.001)
    assert dialled["round_trip"]["load"]["min_s"] == pytest.approx(min_s, abs=0.001)
    assert low_s - 0.001 <= dialled["round_trip"]["load"]["p50_s"] <= high_s + 0.001
    assert dialled["round_trip"]["load"]["lost"] == 0
    assert tcp["rtt_s"] >= tcp["rtt_min_s"]


def test_a_small_window_limits_the_rate_to_a_window_per_round_trip() -> None:
    """RFC 6349 section 3.3.1: rate = window / RTT, here with the window that the receiver announced."""
    flows = [flow("transmit", "tcp", socket_buffer_bytes=80000, congestion="reno")]
    dialled, served, _ = over_a_relay(flows, lambda _: (1, 0.010), every, length_s=1.5, warmup_s=0.5)
    sent, got = part(dialled, "send"), part(served, "receive")
    tcp = sent["tcp"]
    goodput_bit_s = 8 * got["goodput_bytes"] / got["window_s"]
    in_flight_bytes = min(tcp["peer_window_bytes"], tcp["window_segments"] * tcp["mss_bytes"])
    assert goodput_bit_s == pytest.approx(window_limited_bit_s(in_flight_bytes, tcp["rtt_s"]), rel=0.05)
    assert tcp["limited_receiver_window_s"] + tcp["limited_send_buffer_s"] > 0.5 * got["window_s"]
