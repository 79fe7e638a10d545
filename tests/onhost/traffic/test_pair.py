"""The traffic pair as a whole, over `lo`: both jobs as the helper runs them, this process as their controller."""

from __future__ import annotations

from typing import Any

import pytest

from tests.onhost.traffic.two_ends import arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import as_ordinary_user

TCP: dict[str, Any] = {"pacing_bit_s": 40e6}
UDP: dict[str, Any] = {"datagram_bytes": 1200, "intended_load_bit_s": 20e6}


@pytest.mark.parametrize(("transport", "more"), [("tcp", TCP), ("udp", UDP)])
@pytest.mark.parametrize("way", ["transmit", "receive"])
def test_every_byte_sent_is_counted_at_the_receiver_whichever_end_it_is(
    transport: str, more: dict[str, Any], way: str
) -> None:
    dialled, served = run_pair(arguments([flow(way, transport, **more)]))
    receiving, sending = (served, dialled) if way == "transmit" else (dialled, served)
    received, sent = part(receiving, "receive", way), part(sending, "send", way)
    assert received["received_bytes"] == sent["sent_bytes"]
    assert 0 < received["goodput_bytes"] < received["received_bytes"], "warm-up and tail are not in the window"
    rows = received["series"]
    assert sum(row[1] for row in rows) == pytest.approx(received["goodput_bytes"], abs=len(rows))


@pytest.mark.parametrize("more", [{}, {"zero_copy": True}, {"streams": 3}, {"socket_buffer_bytes": 65536}])
def test_as_fast_as_it_goes_nothing_is_lost_of_the_count(more: dict[str, Any]) -> None:
    dialled, served = run_pair(arguments([flow("transmit", "tcp", **more)]))
    received, sent = part(served, "receive"), part(dialled, "send")
    assert received["received_bytes"] == sent["sent_bytes"]
    assert 0 < received["goodput_bytes"] < received["received_bytes"]
    assert all(stream["end_seen"] for stream in received["streams"])


def test_both_ways_at_once_are_two_flows_over_one_window() -> None:
    flows = [
        flow("transmit", "udp", datagram_bytes=500, intended_load_bit_s=8e6, streams=2),
        flow("receive", "udp", datagram_bytes=900, intended_load_bit_s=4e6),
    ]
    dialled, served = run_pair(arguments(flows))
    out, back = part(served, "receive", "transmit"), part(dialled, "receive", "receive")
    assert out["window_datagrams_received"] == part(dialled, "send", "transmit")["window_datagrams_sent"]
    assert back["window_datagrams_received"] == part(served, "send", "receive")["window_datagrams_sent"]
    assert len(out["streams"]) == 2
    assert len(back["streams"]) == 1


def test_an_ordinary_user_needs_no_privilege_for_it() -> None:
    """Binding to a device, filters, priorities of buffers: what the kernel keeps for root is done without."""

    def body() -> tuple[Any, Any]:
        return run_pair(arguments([flow("transmit", "udp", **UDP), flow("receive", "tcp", **TCP)]))

    dialled, served = as_ordinary_user(body)
    assert part(served, "receive")["datagrams_received"] == part(dialled, "send")["datagrams_sent"]
    assert part(dialled, "receive", "receive")["received_bytes"] == part(served, "send", "receive")["sent_bytes"]


def test_ipv6_carries_the_same_traffic() -> None:
    flows = [
        flow("transmit", "udp", datagram_bytes=1000, intended_load_bit_s=8e6),
        flow("receive", "tcp", pacing_bit_s=8e6),
    ]
    dialled, served = run_pair(arguments(flows, family=6, local="::1", peer="::1"))
    assert part(served, "receive", "transmit")["goodput_bytes"] > 0
    assert part(dialled, "receive", "receive")["goodput_bytes"] > 0
