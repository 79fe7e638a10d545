"""Waiting for an interface, and forgetting what an earlier trial taught the kernel."""

from __future__ import annotations

import contextlib
import socket
import time
from typing import Any

import pytest

from orchestrator.onhost.path import ready
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

pytestmark = pytest.mark.lab

PEERS = {4: "10.2.0.1", 6: "2001:db8:2::1"}
_MTU_DISCOVER = {4: (0, 10), 6: (41, 23)}  # level and option; value 2: set don't-fragment


def make_a_router_with_a_small_far_side() -> None:
    """near0 - router - far, with 1400 bytes behind the router: the near end learns it from the router's messages."""
    for line in (
        "ip netns add router",
        "ip netns add far",
        "ip link add name near0 type veth peer name r0 netns router",
        "ip -n router link add name r1 type veth peer name f0 netns far",
        "ip link set dev near0 up",
        "ip -n router link set dev r0 up",
        "ip -n router link set dev r1 up",
        "ip -n far link set dev f0 up",
        "ip address add 10.1.0.1/24 dev near0",
        "ip -n router address add 10.1.0.2/24 dev r0",
        "ip -n router address add 10.2.0.2/24 dev r1",
        "ip -n far address add 10.2.0.1/24 dev f0",
        "ip address add 2001:db8:1::1/64 dev near0 nodad",
        "ip -n router address add 2001:db8:1::2/64 dev r0 nodad",
        "ip -n router address add 2001:db8:2::2/64 dev r1 nodad",
        "ip -n far address add 2001:db8:2::1/64 dev f0 nodad",
        "ip route add 10.2.0.0/24 via 10.1.0.2",
        "ip -n far route add 10.1.0.0/24 via 10.2.0.2",
        "ip -6 route add 2001:db8:2::/64 via 2001:db8:1::2",
        "ip -n far -6 route add 2001:db8:1::/64 via 2001:db8:2::2",
        "ip -n router link set dev r1 mtu 1400",
        "ip netns exec router sysctl -qw net.ipv4.ip_forward=1 net.ipv6.conf.all.forwarding=1",
    ):
        run(line)


def learn(family: int) -> None:
    """Send what is too large until the kernel has learned so."""
    kind = socket.AF_INET6 if family == 6 else socket.AF_INET
    with socket.socket(kind, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(*_MTU_DISCOVER[family], 2)
        sender.connect((PEERS[family], 9))
        until = time.monotonic() + 10
        while "mtu 1400" not in run(f"ip route get {PEERS[family]}") and time.monotonic() < until:
            with contextlib.suppress(OSError):  # too long by now, or the destination's refusal
                sender.send(b"x" * 1440)
            time.sleep(0.05)


def learn_and_forget(family: int) -> tuple[str, dict[str, Any], str]:
    make_a_router_with_a_small_far_side()
    learn(family)
    learned = run(f"ip route get {PEERS[family]}")
    return learned, ready.forget("near0", PEERS[family]), run(f"ip route get {PEERS[family]}")


@pytest.mark.parametrize("family", [4, 6])
def test_a_learned_path_mtu_is_forgotten(family: int) -> None:
    learned, answer, after = in_own_namespace(learn_and_forget, family)
    assert "mtu 1400" in learned, "nothing was learned: the test would prove nothing"
    assert "mtu 1400" not in after
    assert answer["forgotten"]
    assert (answer["path_mtu_before_bytes"], answer["path_mtu_bytes"]) == (1400, None)
    assert answer["neighbour"] == "reachable"


def remember_and_forget_tcp() -> tuple[str, bool, str]:
    make_a_router_with_a_small_far_side()
    run("ip address add 10.3.0.1/24 dev lo")
    with socket.create_server(("10.3.0.1", 5555)) as server, socket.create_connection(("10.3.0.1", 5555)) as one:
        other, _ = server.accept()
        for _ in range(20):
            one.sendall(b"x" * 10_000)
            other.recv(10_000)
        other.close()
    return run("ip tcp_metrics show"), ready.forget("lo", "10.3.0.1")["tcp_metrics"], run("ip tcp_metrics show")


def test_what_tcp_remembers_of_a_peer_is_forgotten() -> None:
    remembered, dropped, after = in_own_namespace(remember_and_forget_tcp)
    assert "10.3.0.1" in remembered, "nothing was remembered: the test would prove nothing"
    assert dropped
    assert "10.3.0.1" not in after


def neighbour_is_primed() -> tuple[str, str, str]:
    run("ip netns add far")
    run("ip link add name near0 type veth peer name f0 netns far")
    run("ip link set dev near0 up")
    run("ip -n far link set dev f0 up")
    run("ip address add 10.1.0.1/24 dev near0")
    run("ip -n far address add 10.1.0.2/24 dev f0")
    before = run("ip neighbour")
    state = ready.forget("near0", "10.1.0.2")["neighbour"]
    return before, state, run("ip neighbour show 10.1.0.2")


def test_the_neighbour_is_known_before_the_first_packet() -> None:
    before, state, after = in_own_namespace(neighbour_is_primed)
    assert "10.1.0.2" not in before
    assert state == "reachable"
    assert "lladdr" in after


def wait_for_addresses() -> dict[str, Any]:
    make_pair()
    run("ip address add 198.18.0.1/24 dev near0")
    run("ip -6 address add 2001:2::1/64 dev near0")  # with the duplicate check, which takes 1 to 2 s
    found = {
        "address still checked": ready.wait_ready("near0", 6, 0.0, address="2001:2::1"),
        "address": ready.wait_ready("near0", 6, 5.0, address="2001:2::1"),
        "four": ready.wait_ready("near0", 4, 1.0),
        "best six": ready.wait_ready("near0", 6, 1.0),
        "mtu": ready.wait_ready("near0", 4, 0.1, mtu=9000),
        "speed": ready.wait_ready("near0", 4, 0.1, speed_bit_s=10**9),
        "gone": ready.wait_ready("nothing0", 4, 0.1),
    }
    run("ip link set dev far0 down")
    found["no carrier"] = ready.wait_ready("near0", 4, 0.1)
    run("ip link set dev near0 down")
    found["off"] = ready.wait_ready("near0", 4, 30.0)
    return found


def test_an_interface_is_waited_for_until_its_address_can_be_bound() -> None:
    found = in_own_namespace(wait_for_addresses)
    assert not found["address still checked"]["ready"]
    assert "cannot use 2001:2::1 yet" in found["address still checked"]["why"]
    assert found["address"]["ready"]
    assert found["address"]["waited_s"] > 0.5
    assert found["four"]["ready"]
    assert found["four"]["address"] == "198.18.0.1"
    assert found["best six"]["address"] == "2001:2::1"  # not the link-local one
    assert found["mtu"]["why"] == "near0 has an MTU of 1500, not 9000"
    assert found["speed"]["why"] == "near0 runs at 10000 Mb/s, not 1000"
    assert found["gone"]["why"] == "nothing0 is not there"
    assert found["no carrier"]["why"] == "near0 has no carrier"
    assert found["off"]["why"] == "near0 is switched off"
    assert found["off"]["waited_s"] < 5
