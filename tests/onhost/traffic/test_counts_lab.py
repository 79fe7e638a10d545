"""Counts that the kernel makes as well: every figure of the pair beside the counter that says the same.

Each test builds its own two hosts and a switch; frames are frames there (no segmentation below the sockets).
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.onhost.traffic.two_ends import PORTS, arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, inside, join_by_switch, run, shape

pytestmark = [pytest.mark.lab, pytest.mark.alone]


def trial(
    flows: list[dict[str, Any]], *, length_s: float = 0.5, warmup_s: float = 0.1, **more: Any
) -> tuple[dict[str, Any], dict[str, Any]]:
    return run_pair(
        arguments(flows, **ends(**more)),
        length_s=length_s,
        warmup_s=warmup_s,
        dial_in=enter("near"),
        serve_in=enter("far"),
    )


def change(result: dict[str, Any], *names: str) -> int:
    counters = result["counters"]
    return sum(counters["after"][name] - counters["before"][name] for name in names)


def drop_in(place: str, interface: str, rule: str) -> None:
    """A counting drop rule where frames come in."""
    inside(place, "nft add table netdev lossy")
    inside(place, f"nft add chain netdev lossy into {{ type filter hook ingress device {interface} priority 0 ; }}")
    inside(place, f"nft add rule netdev lossy into {rule} counter drop")


def dropped_by_rule(place: str) -> int:
    rules = json.loads(inside(place, "nft -j list table netdev lossy"))["nftables"]
    expressions = [each for rule in rules if "rule" in rule for each in rule["rule"]["expr"]]
    return int(next(each["counter"]["packets"] for each in expressions if "counter" in each))


@pytest.mark.parametrize(("every", "share"), [(1000, "1 in 1000"), (33, "3 %"), (10, "1 in 10"), (3, "a third")])
@pytest.mark.parametrize("receive_path", ["coalesce", "batch"])
def test_loss_is_what_the_filter_dropped(every: int, share: str, receive_path: str) -> None:
    """The packet filter drops exactly one in so many of our datagrams, and counts them."""

    def body() -> tuple[Any, Any, int]:
        join_by_switch(segmentation="gso off gro off")
        drop_in("far", "eth1", f"udp dport {PORTS[0]} udp length > 1000 numgen inc mod {every} 0")
        flows = [flow("transmit", "udp", intended_load_bit_s=40e6, receive_path=receive_path)]
        return (*trial(flows, rate_bit_s=100e6), dropped_by_rule("far"))

    dialled, served, dropped = in_own_namespace(body)
    sent, got = part(dialled, "send"), part(served, "receive")
    # two datagrams without a number prove the way of sending; the rule may have dropped one of them
    lost = sent["datagrams_sent"] - got["datagrams_received"]
    assert dropped > 0
    assert 0 <= dropped - lost <= 2, share
    assert got["datagrams_duplicate"] == 0
    assert sent["window_datagrams_sent"] - got["window_datagrams_received"] <= lost


def test_without_loss_nothing_is_lost_in_any_phase_on_any_path() -> None:
    def body() -> list[Any]:
        join_by_switch()
        flows = [
            [flow("transmit", "udp", intended_load_bit_s=60e6, send_path=sending, receive_path=receiving)]
            for sending, receiving in (("segment", "coalesce"), ("batch", "batch"), ("single", "single"))
        ]
        return [trial(each, rate_bit_s=1e9, length_s=0.3) for each in flows]

    for dialled, served in in_own_namespace(body):
        sent, got = part(dialled, "send"), part(served, "receive")
        assert got["datagrams_received"] == sent["datagrams_sent"]
        assert got["window_datagrams_received"] == sent["window_datagrams_sent"]
        assert got["datagrams_reordered"] == got["datagrams_duplicate"] == 0
        assert change(served, "udp.RcvbufErrors") == got["socket_drops"] == 0


def test_what_the_own_queue_drops_is_refused_and_not_sent() -> None:
    """A queue shorter than the socket's buffer: without IP_RECVERR these would all count as sent."""

    def body() -> tuple[Any, Any]:
        join_by_switch(segmentation="gso off gro off")
        inside("near", "tc qdisc replace dev eth1 root tbf rate 50mbit burst 5000 limit 15000")
        flows = [flow("transmit", "udp", send_path="single", socket_buffer_bytes=1 << 20)]
        return trial(flows, rate_bit_s=100e6)

    dialled, served = in_own_namespace(body)
    sent, got = part(dialled, "send"), part(served, "receive")
    assert sent["datagrams_refused"] > 100
    # the keep-alive and the signs of the end may meet a full queue too
    assert change(dialled, "queue.drops") - sent["datagrams_refused"] in range(10)
    assert got["datagrams_received"] == sent["datagrams_sent"]


def test_an_ordinary_send_buffer_waits_for_the_queue_instead() -> None:
    def body() -> tuple[Any, Any]:
        join_by_switch(segmentation="gso off gro off")
        shape(50_000_000)
        inside("near", "tc qdisc replace dev eth1 root pfifo limit 60")
        return trial([flow("transmit", "udp", streams=4)], rate_bit_s=100e6)

    dialled, _ = in_own_namespace(body)
    sent = part(dialled, "send")
    assert sent["datagrams_sent"] > 0
    assert sent["datagrams_refused"] == change(dialled, "queue.drops") == 0


@pytest.mark.parametrize("receive_path", ["batch", "single"])
def test_what_the_socket_could_not_hold_is_its_own_place(receive_path: str) -> None:
    """A receive buffer of a few datagrams against a flood: SO_MEMINFO and RcvbufErrors say the same."""

    def body() -> tuple[Any, Any]:
        join_by_switch(segmentation="gso off gro off")
        flows = [
            flow(
                "transmit",
                "udp",
                datagram_bytes=400,
                socket_buffer_bytes=3000,
                receive_path=receive_path,
                send_path="batch",
                burst_datagrams=64,
            )
        ]
        return trial(flows, rate_bit_s=10e9, length_s=0.3)

    dialled, served = in_own_namespace(body)
    sent, got = part(dialled, "send"), part(served, "receive")
    assert got["socket_drops"] > 100
    assert change(served, "udp.RcvbufErrors") == got["socket_drops"]
    lost = sent["datagrams_sent"] - got["datagrams_received"]
    elsewhere = change(dialled, "interface.tx_dropped", "queue.drops") + change(served, "interface.rx_dropped")
    # the probe of the sending way and the signs of the end may be among the drops
    assert 0 <= got["socket_drops"] + elsewhere - lost <= 12


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("transport", ["tcp", "udp"])
def test_interface_octets_are_payload_and_headers_within_half_a_thousandth(family: int, transport: str) -> None:
    """rx_bytes of the receiver, offloads off: payload + Ethernet 14 + IP 20 or 40 + UDP 8 or TCP 32 with timestamps."""

    def body() -> tuple[Any, Any]:
        join_by_switch(segmentation="gso off gro off")
        shape(200_000_000)
        flows = [flow("transmit", transport, intended_load_bit_s=100e6 if transport == "udp" else None)]
        return trial(flows, family=family, rate_bit_s=200e6, length_s=1.0)

    dialled, served = in_own_namespace(body)
    got = part(served, "receive")
    head = 14 + (40 if family == 6 else 20) + (8 if transport == "udp" else 32)
    payload = 1500 - head + 14
    expected = got["received_bytes"] / payload * (payload + head)
    assert change(served, "interface.rx_bytes") == pytest.approx(expected, rel=5e-4)
    assert change(dialled, "interface.tx_bytes") == pytest.approx(expected, rel=5e-4)


def test_retransmissions_are_the_namespaces_own_count() -> None:
    def body() -> tuple[Any, Any, int]:
        join_by_switch(segmentation="gso off gro off")
        shape(100_000_000)
        drop_in("far", "eth1", "ip length > 1000 numgen inc mod 50 0")
        return (*trial([flow()], rate_bit_s=100e6, length_s=0.8), dropped_by_rule("far"))

    dialled, served, dropped = in_own_namespace(body)
    tcp = part(dialled, "send")["tcp"]
    assert dropped > 10
    assert tcp["segments_retransmitted_whole"] == change(dialled, "tcp.RetransSegs")
    assert tcp["segments_retransmitted_whole"] >= dropped - 1, "each drop is sent again, at least (the last may not be)"
    assert 0 < tcp["segments_retransmitted"] <= tcp["segments_retransmitted_whole"]
    assert part(served, "receive")["received_bytes"] == part(dialled, "send")["sent_bytes"]


def test_a_clean_link_shows_neither_retransmission_nor_loss() -> None:
    def body() -> Any:
        join_by_switch()
        shape(200_000_000)
        return [
            trial(
                [flow(way, transport, intended_load_bit_s=150e6 if transport == "udp" else None)],
                rate_bit_s=200e6,
                length_s=0.4,
            )
            for way in ("transmit", "receive")
            for transport in ("tcp", "udp")
        ]

    for dialled, served in in_own_namespace(body):
        for result in (dialled, served):
            for each in result["parts"]:
                assert each["tcp"].get("segments_retransmitted_whole", 0) == 0
                assert each.get("datagrams_refused", 0) == each.get("datagrams_duplicate", 0) == 0
                assert each["error"] == ""


def test_the_named_interface_carries_the_traffic_even_when_another_one_has_the_route() -> None:
    """Two interfaces in one subnet, the bench's everyday trap: the routing table prefers eth0.

    Each interface answers for its own address only (arp_ignore); without that the peer's frames would come in by
    either, whatever this end does.
    """

    def body() -> tuple[Any, Any]:
        join_by_switch(segmentation="gso off gro off")
        for place, port, address in (("near", "port2", "198.18.7.101"), ("far", "port3", "198.18.7.102")):
            inside(place, "ip route flush dev eth1")
            run(f"ip link add name {port} netns switch type veth peer name eth0 netns {place}")
            inside("switch", f"ip link set dev {port} master bridge0 up")
            inside(place, "ip link set dev eth0 up")
            inside(place, f"ip addr add {address}/24 dev eth0")
            inside(place, "ip route add 198.18.7.0/24 dev eth1 metric 100")
            inside(place, "sysctl -qw net.ipv4.conf.all.arp_ignore=1")
        flows = [flow(pacing_bit_s=50e6), flow("receive", "udp", intended_load_bit_s=20e6)]
        return trial(flows, rate_bit_s=100e6, length_s=0.3)

    dialled, served = in_own_namespace(body)
    for result, counter in ((dialled, "interface.tx_bytes"), (served, "interface.rx_bytes")):
        assert change(result, counter) >= 0.99 * part(dialled, "send")["sent_bytes"]
    for result, counter in ((dialled, "interface.rx_bytes"), (served, "interface.tx_bytes")):
        assert change(result, counter) >= 0.99 * part(served, "send", "receive")["sent_bytes"]
