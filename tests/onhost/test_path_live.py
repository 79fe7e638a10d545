"""The path proof on real paths: holes, routers, loss, filters, ports that do not forward yet; IPv4 and IPv6.

`impossible` is never said of a healthy path, however lossy or late it is.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import time
from typing import Any

import pytest

from orchestrator.decide.links.path_verdict import path_verdict
from tests.onhost.two_hosts import TwoHosts, result_of, routed, switched, tell, wait_for_stage

pytestmark = pytest.mark.lab
Json = dict[str, Any]
VLAN_TAG = 4  # Linux bridges let frames through that are longer by a VLAN tag (is_skb_forwardable)


def prove(
    hosts: TwoHosts, *, family: int = 4, mtu: int = 9000, patience_s: float = 60.0, asking: str = "dome"
) -> tuple[Json, list[Json]]:
    """(verdict, the asking end's events); `dome` is the link's first end whoever asks."""
    answering = "hall" if asking == "dome" else "dome"
    answer = hosts.path_job(answering, "answer", family, mtu, patience_s)
    try:
        wait_for_stage(answer, "listening")
        probe = hosts.path_job(asking, "probe", family, mtu, patience_s)
        asked, events = result_of(probe, patience_s + 30)
        answered = _answered(answer)
    finally:
        answer.kill()
        answer.wait()
    results = (asked, answered) if asking == "dome" else (answered, asked)
    return path_verdict(*results), events


def _answered(answer: subprocess.Popen[str]) -> Json:
    """The answering end's receipts; it is told over its control connection that nobody asks any more."""
    with contextlib.suppress(BrokenPipeError):
        tell(answer, "done")
    return result_of(answer, 10.0)[0]


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("mtu", [1500, 9000])
def test_an_open_path_is_open_in_both_directions(family: int, mtu: int):
    with switched() as hosts:
        for who in ("dome", "hall"):
            hosts.link(who, "eth1", "mtu", str(mtu))
        verdict, _ = prove(hosts, family=family, mtu=mtu)
    assert verdict["verdict"] == "open"
    assert verdict["full"] == {"transmit": True, "receive": True}
    assert verdict["largest"] == {"transmit": mtu, "receive": mtu}


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("port_mtu", [1500, 4000])
def test_a_switch_port_that_stops_jumbo_frames_is_found_with_its_size(family: int, port_mtu: int):
    with switched() as hosts:
        hosts.link("between", "hall", "mtu", str(port_mtu))
        verdict, _ = prove(hosts, family=family)
    assert verdict["verdict"] == "too_small"
    assert verdict["full"] == {"transmit": False, "receive": False}
    assert verdict["largest"] == {"transmit": port_mtu + VLAN_TAG, "receive": port_mtu + VLAN_TAG}
    assert f"MTU of {port_mtu}" in verdict["sentence"]
    assert "between the ends stops larger frames" in verdict["sentence"]


def test_each_direction_is_judged_alone():
    """A rule that stops long frames one way only, seen from either end: the other way is not blamed."""
    with switched() as hosts:
        hosts.rule("between", 'ingress device "dome"', "meta length > 2000 drop")
        for asking in ("dome", "hall"):
            verdict, _ = prove(hosts, asking=asking)
            assert verdict["verdict"] == "too_small"
            assert verdict["full"] == {"transmit": False, "receive": True}
            assert verdict["largest"] == {"transmit": 2000, "receive": 9000}
            assert "from the first end to the second" in verdict["sentence"]


@pytest.mark.parametrize("family", [4, 6])
def test_a_router_that_says_so_is_named_and_z1_what_it_taught_is_seen(family: int):
    """Its message leaves a path MTU behind that limits TCP for ten minutes: a fresh socket shows it."""
    with routed() as hosts:
        hosts.link("between", "hall", "mtu", "1500")
        hosts.link("hall", "eth1", "mtu", "9000")
        verdict, _ = prove(hosts, family=family)
        again, _ = prove(hosts, family=family)
    assert verdict["verdict"] == "too_small"
    assert verdict["largest"]["transmit"] == 1500
    assert [router["mtu_bytes"] for router in verdict["routers"]] == [1500]
    assert verdict["routers"][0]["reported_by"] in verdict["sentence"]
    assert verdict["learned_mtu_bytes"]["first"] == 9000
    assert again["learned_mtu_bytes"]["first"] == 1500


def test_a_router_whose_messages_are_filtered_is_found_like_a_switch():
    with routed() as hosts:
        hosts.link("between", "hall", "mtu", "1500")
        hosts.rule("dome", "input", "icmp type destination-unreachable drop")
        verdict, _ = prove(hosts)
    assert (verdict["verdict"], verdict["largest"]["transmit"], verdict["routers"]) == ("too_small", 1500, [])


@pytest.mark.parametrize("family", [4, 6])
def test_a_path_that_loses_every_tenth_frame_is_never_called_too_small(family: int):
    with switched() as hosts:
        for port in ("dome", "hall"):  # both ways: one chain per device
            hosts.inside(
                "between",
                "nft",
                "-f",
                "-",
                input=(
                    f'table netdev {port} {{\nchain c {{\ntype filter hook ingress device "{port}" priority 0;\n'
                    "numgen random mod 10 0 drop\n}\n}\n"
                ),
            )
        verdicts = [prove(hosts, family=family)[0]["verdict"] for _ in range(6)]
        assert verdicts == ["open"] * 6
        hosts.link("between", "hall", "mtu", "1500")
        hole, _ = prove(hosts, family=family)
    assert hole["verdict"] == "too_small"
    assert hole["largest"] == {"transmit": 1504, "receive": 1504}


def test_a_slow_port_is_never_called_too_small():
    """1 Mb/s: a frame of 9000 octets takes 72 ms, and small frames wait behind it."""
    with switched() as hosts:
        for port in ("dome", "hall"):
            hosts.inside(
                "between",
                "tc",
                "qdisc",
                "add",
                "dev",
                port,
                "root",
                "tbf",
                "rate",
                "1mbit",
                "burst",
                "10000",
                "limit",
                "200000",
            )
        verdict, _ = prove(hosts)
    assert verdict["verdict"] == "open"


def test_z3_a_port_that_does_not_forward_yet_is_waited_for_and_said():
    """A port with spanning tree shows carrier and forwards after twice its delay, here the least of 2 s."""
    with switched() as hosts:
        hosts.inside(
            "between", "ip", "link", "set", "dev", "switch", "type", "bridge", "forward_delay", "200", "stp_state", "1"
        )
        hosts.link("between", "hall", "down")
        hosts.link("between", "hall", "up")
        verdict, events = prove(hosts)
    assert verdict["verdict"] == "open"
    assert verdict["small"]["waited_s"] > 2
    waiting = [event for event in events if event["stage"] == "waiting"]
    assert waiting
    assert "port not forwarding yet" in waiting[0]["say"]


def test_a_filter_that_drops_is_silence_and_not_a_hole():
    with switched() as hosts:
        hosts.rule("hall", "input", "udp dport 20000 drop")
        verdict, _ = prove(hosts, patience_s=1.5)
    assert verdict["verdict"] == "silent"
    assert verdict["small"]["receive"] is False
    assert verdict["largest"]["receive"] == 0


@pytest.mark.parametrize("family", [4, 6])
def test_a_filter_that_refuses_is_named_within_seconds(family: int):
    with switched() as hosts:
        hosts.rule("hall", "input", "udp dport 20000 reject")
        began = time.monotonic()
        verdict, _ = prove(hosts, family=family, patience_s=30.0)
        waited = time.monotonic() - began
    assert verdict["verdict"] == "refused"
    assert ("198.18.0.12" if family == 4 else "2001:2::12") in verdict["sentence"]
    assert waited < 30  # it did not use up its patience


def test_one_silent_direction_is_told_from_two():
    with switched() as hosts:
        hosts.rule("dome", "input", "udp sport 20000 drop")
        verdict, _ = prove(hosts, patience_s=1.5)
    assert verdict["verdict"] == "silent"
    assert verdict["small"]["transmit"] is True
    assert "none comes back" in verdict["sentence"]


def test_a_path_that_dies_in_the_middle_is_silent_and_not_too_small():
    """Small frames pass until the first long one is sent; then nothing does."""
    with switched() as hosts:
        hosts.inside(
            "between",
            "nft",
            "-f",
            "-",
            input=(
                "table netdev t {\nset dead {\ntype ifname\nflags dynamic\n}\n"
                'chain c {\ntype filter hook ingress device "dome" priority 0;\n'
                "iifname @dead drop\nmeta length > 2000 add @dead { iifname } drop\n}\n}\n"
            ),
        )
        verdict, _ = prove(hosts)
    assert verdict["verdict"] == "silent"
    assert "nothing can be said about the size" in verdict["sentence"]


def test_the_ends_own_interface_is_named_when_it_refuses_the_size():
    with switched() as hosts:
        hosts.link("dome", "eth1", "mtu", "1500")
        verdict, _ = prove(hosts)
    assert verdict["verdict"] == "too_small"
    assert verdict["largest"]["transmit"] == 1500
    assert "interface of the first end itself" in verdict["sentence"]


def test_z2_frames_leave_by_the_named_interface_although_another_has_the_same_subnet():
    with switched() as hosts:
        # a second interface in the same subnet, with the better route, that leads nowhere
        hosts.inside("dome", "ip", "link", "add", "name", "eth0", "type", "veth", "peer", "name", "nowhere")
        hosts.inside("dome", "ip", "link", "set", "dev", "eth0", "up")
        hosts.inside("dome", "ip", "link", "set", "dev", "nowhere", "up")
        hosts.inside("dome", "ip", "route", "add", "198.18.0.12/32", "dev", "eth0")
        verdict, _ = prove(hosts)
    assert verdict["verdict"] == "open"


def test_a_stranger_gets_nothing_back_and_changes_no_receipt():
    """Wrong token, no token, garbage, and the right frames said again: from the peer's own address, even."""
    with switched() as hosts:
        answer = hosts.path_job("hall", "answer", 4, 9000, 5.0)
        wait_for_stage(answer, "listening")
        heard = json.loads(hosts.inside("dome", "python3", "-c", _STRANGER).stdout)
        probe = hosts.path_job("dome", "probe", 4, 9000, 10.0)
        asked, _ = result_of(probe, 30)
        answered, _ = result_of(answer, 10)
    assert heard == 0
    assert answered["small_received"] == asked["small_received"]
    assert sum(count for _, count in answered["received"]) == sum(count for _, count in asked["acknowledged"])


_STRANGER = """
import os, socket
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
s.bind(("198.18.0.11", 20000)); s.settimeout(0.5)
for payload in (b"", b"x", os.urandom(32), bytes([1]) + os.urandom(31), os.urandom(1400), bytes(32)) * 20:
    s.sendto(payload, ("198.18.0.12", 20000))
heard = 0
try:
    while True: s.recv(2048); heard += 1
except socket.timeout: pass
print(heard)
"""
