"""Datagrams lost on purpose, each at one place: the account equals the kernel's own counter of that place alone."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from orchestrator.decide.verdict.account import accounts
from orchestrator.decide.verdict.evidence import ways
from orchestrator.decide.verdict.judge import judge
from orchestrator.decide.verdict.losses import losses
from tests.onhost.traffic.two_ends import arguments, flow, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, inside, join_by_switch

pytestmark = [pytest.mark.lab, pytest.mark.alone]
PLACES = ("own_queue", "own_interface", "between", "far_interface", "backlog", "socket")
Json = dict[str, Any]


def _record(dialled: Json, served: Json, traffic: Json) -> Json:
    """The trial's record as the runner would have written it."""
    end = {"interface": "eth1", "driver": "veth", "speed_bit_s": None}
    return {
        "traffic": {"direction": "transmit", **traffic},
        "levels": {},
        "settings": {},
        "path": {"verdict": "open"},
        "link_facts": {
            "rate_bit_s": None,
            "family": 4,
            "mtu": 1500,
            "first": {**end, "host": "near"},
            "second": {**end, "host": "far"},
        },
        "first": dialled,
        "second": served,
        "after": {},
        "error": None,
    }


def _trial(prepare: Callable[[], None], count: Callable[[], int], traffic: Json) -> Json:
    """Run in a namespace of its own: {what the kernel counted, the account, the verdict}."""

    def measure() -> Json:
        join_by_switch(segmentation="gso off gro off")
        prepare()
        sent = flow("transmit", "udp", **traffic)
        args = arguments([sent], **ends())
        dialled, served = run_pair(args, serve_in=enter("far"), dial_in=enter("near"), length_s=1.0)
        record = _record(dialled, served, sent)
        account = losses(ways(record)[0])
        assert account is not None
        verdict = judge(record)
        return {
            "kernel": count(),
            "lost": account.lost,
            "attempted": account.attempted,
            "unplaced": account.unplaced,
            **{name: getattr(account, name) for name in PLACES},
            "status": verdict.status,
            "doubts": verdict.doubts,
        }

    return dict(in_own_namespace(measure))


def _only_at(found: Json, place: str) -> None:
    assert found["unplaced"] == ""
    assert {name: found[name] for name in PLACES} == {name: found["lost"] if name == place else 0 for name in PLACES}


def _nothing() -> None:
    pass


def _drop(share: str) -> Callable[[], None]:
    """A rule at the switch's first port that drops and counts; frames are single frames here."""

    def prepare() -> None:
        rules = Path("/run/rules.nft")
        rules.write_text(
            'table netdev t {\nchain c {\ntype filter hook ingress device "port0" priority 0;\n'
            f"udp length > 900 {share} counter drop\n}}\n}}\n"
        )
        inside("switch", f"nft -f {rules}")

    return prepare


def _dropped_by_rule() -> int:
    return int(re.findall(r"counter packets (\d+)", inside("switch", "nft list ruleset"))[0])


def test_a_healthy_path_loses_nothing_and_has_no_doubt():
    found = _trial(_nothing, lambda: 0, {"datagram_bytes": 1000, "intended_load_bit_s": 20e6})
    assert (found["lost"], found["status"]) == (0, "valid")
    assert set(found["doubts"]) <= {"limited_by_sender"}  # on a machine that is busy with something else
    _only_at(found, "between")


@pytest.mark.parametrize("share", ["numgen inc mod 1000 500", "numgen inc mod 100 >= 97", "numgen inc mod 10 >= 7"])
def test_what_a_filter_on_the_way_drops_is_lost_between(share: str):
    """0.1, 3 and 30 %. The first few pass: by them the sender finds out which way of sending its kernel takes."""
    found = _trial(_drop(share), _dropped_by_rule, {"datagram_bytes": 1000, "intended_load_bit_s": 20e6})
    assert found["kernel"] > 0
    assert found["lost"] == found["kernel"]
    _only_at(found, "between")


@pytest.mark.parametrize("share", ["numgen inc mod 1000 500", "numgen inc mod 100 >= 97", "numgen inc mod 10 >= 7"])
def test_what_is_dropped_on_the_way_out_of_the_own_host_is_lost_at_the_own_queue(share: str):
    """0.1, 3 and 30 %, where the kernel hands a frame to the interface's queue: the sender is told so (IP_RECVERR)."""

    def prepare() -> None:
        rules = Path("/run/rules.nft")
        rules.write_text(
            'table netdev t {\nchain c {\ntype filter hook egress device "eth1" priority 0;\n'
            f"udp length > 900 {share} counter drop\n}}\n}}\n"
        )
        inside("near", f"nft -f {rules}")

    def dropped() -> int:
        return int(re.findall(r"counter packets (\d+)", inside("near", "nft list ruleset"))[0])

    found = _trial(prepare, dropped, {"datagram_bytes": 1000, "intended_load_bit_s": 20e6, "send_path": "single"})
    assert found["kernel"] > 0
    assert found["lost"] == found["kernel"]
    _only_at(found, "own_queue")


@pytest.mark.parametrize("overload", [0.03, 0.30])
def test_what_a_full_own_queue_drops_is_its_own_count(overload: float):
    """Offered so much more than the queue is emptied at: after it has filled, that share is dropped."""
    emptied_bit_s = 20e6 * 1000 / 1042  # the queue counts Ethernet 14 + IP 20 + UDP 8 beside the payload

    def prepare() -> None:
        inside("near", "tc qdisc replace dev eth1 root tbf rate 20mbit burst 3000 limit 6000")

    def dropped() -> int:
        return int(re.findall(r"dropped (\d+)", inside("near", "tc -s qdisc show dev eth1"))[0])

    found = _trial(
        prepare,
        dropped,
        {"datagram_bytes": 1000, "intended_load_bit_s": emptied_bit_s / (1 - overload), "send_path": "single"},
    )
    assert found["kernel"] > 10
    assert found["own_queue"] == pytest.approx(found["kernel"], abs=3)  # the round-trip probes meet the same queue
    assert found["lost"] == sum(found[name] for name in PLACES)


@pytest.mark.parametrize("send_path", ["single", "batch"])  # sendmmsg keeps an error behind its first to itself
def test_z6_what_the_own_queue_drops_is_lost_there_and_not_in_the_network(send_path: str):
    def prepare() -> None:
        inside("near", "tc qdisc replace dev eth1 root tbf rate 10mbit burst 3000 limit 6000")

    def dropped() -> int:
        return int(re.findall(r"dropped (\d+)", inside("near", "tc -s qdisc show dev eth1"))[0])

    found = _trial(
        prepare,
        dropped,
        {"datagram_bytes": 1000, "intended_load_bit_s": 40e6, "send_path": send_path, "burst_datagrams": 8},
    )
    assert found["kernel"] > 100
    assert found["own_queue"] == pytest.approx(found["kernel"], abs=3)  # the round-trip probes meet the same queue
    assert found["between"] <= 3
    assert found["lost"] == sum(found[name] for name in PLACES)


@pytest.mark.parametrize("strange_bit_s", [0.0, 4e6])
@pytest.mark.parametrize("overload", [0.10, 0.30])  # less is lost in the pauses of a sender on a busy machine
def test_what_the_own_queue_drops_in_silence_is_lost_there_whatever_else_it_drops(
    overload: float, strange_bit_s: float
):
    """This queue drops its oldest frame and tells nobody, neither us nor whoever sends beside us."""
    emptied_bit_s = 20e6 * 1000 / 1042  # as above
    strangers: list[subprocess.Popen[bytes]] = []

    def prepare() -> None:
        inside("near", "tc qdisc replace dev eth1 root handle 1: tbf rate 20mbit burst 3000 limit 300000")
        inside("near", "tc qdisc replace dev eth1 parent 1:1 handle 2: pfifo_head_drop limit 20")
        strangers.append(
            subprocess.Popen(
                ["ip", "netns", "exec", "near", "timeout", "30", sys.executable, "-c", _SOMEBODY, str(strange_bit_s)]
            )
        )

    def dropped() -> int:
        for stranger in strangers:
            stranger.terminate()
            stranger.wait()
        return int(re.findall(r"dropped (\d+)", inside("near", "tc -s qdisc show dev eth1"))[0])

    found = _trial(
        prepare,
        dropped,
        {
            "datagram_bytes": 1000,
            "intended_load_bit_s": emptied_bit_s / (1 - overload),
            "send_path": "single",
            "socket_buffer_bytes": 1 << 20,
        },
    )
    assert found["lost"] > 10
    assert found["kernel"] >= found["lost"]
    _only_at(found, "own_queue")
    assert "other_interface" not in found["doubts"]


@pytest.mark.parametrize(("room_bytes", "intended_load_bit_s"), [(4096, 200e6), (30_000, 200e6), (100_000, 400e6)])
def test_what_the_receiving_socket_has_no_room_for_is_lost_there(room_bytes: int, intended_load_bit_s: float):
    """From a room for three datagrams, where most of a burst of 64 is lost, to one that seldom overflows."""

    def overflowed() -> int:
        text = inside("far", "cat /proc/net/snmp")
        names, values = (line.split() for line in text.splitlines() if line.startswith("Udp:"))
        return int(values[names.index("RcvbufErrors")])

    found = _trial(
        _nothing,
        overflowed,
        {
            "datagram_bytes": 1000,
            "intended_load_bit_s": intended_load_bit_s,
            "receive_path": "batch",
            "socket_buffer_bytes": room_bytes,
            "burst_datagrams": 64,
        },
    )
    assert found["kernel"] > 0 or room_bytes > 4096
    assert found["socket"] == found["kernel"] == found["lost"]
    _only_at(found, "socket")


@pytest.mark.parametrize("share", [0.0, 0.015, 0.10])
def test_z21_other_peoples_traffic_on_the_link_is_seen_with_its_share(share: float):
    """Somebody else sends beside us for the whole trial, at a share of our own rate."""

    def measure() -> Json:
        join_by_switch(segmentation="gso off gro off")
        sent = flow("transmit", "udp", datagram_bytes=1400, intended_load_bit_s=20e6)
        args = arguments([sent], **ends())
        foreign = subprocess.Popen(["ip", "netns", "exec", "near", sys.executable, "-c", _SOMEBODY, str(share * 20e6)])
        try:
            dialled, served = run_pair(args, serve_in=enter("far"), dial_in=enter("near"), length_s=2.0)
        finally:
            foreign.kill()
            foreign.wait()
        record = _record(dialled, served, sent)
        return {"share": accounts(record)["near", "eth1"].cross_share, "doubts": judge(record).doubts}

    found = in_own_namespace(measure)
    expected = {0.0: set(), 0.015: {"cross_traffic_some"}, 0.10: {"cross_traffic_heavy"}}[share]
    assert set(found["doubts"]) - {"limited_by_sender"} == expected
    assert found["share"] >= share / 2


_SOMEBODY = """
import socket, sys, time
rate = float(sys.argv[1])
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
while rate:
    s.sendto(bytes(1000), ("198.18.7.2", 9))
    time.sleep(8 * 1042 / rate)
time.sleep(60)
"""
