"""What a host sees around an end: what it lies on, all the way down, and what could keep frames from passing."""

from __future__ import annotations

import os
from typing import Any

import pytest

from orchestrator.onhost.path.surroundings import surroundings
from orchestrator.onhost.service.facts import read_interfaces
from orchestrator.onhost.system.lower_devices import lower_devices
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="makes namespaces, which needs root")


def _bridge_over_two_ports() -> dict[str, Any]:
    make_pair("near0", "far0")
    make_pair("near1", "far1")
    run("ip link add br0 type bridge")
    run("ip link set dev br0 up")
    for port, mtu in (("near0", 1500), ("near1", 4000)):
        run(f"ip link set dev {port} master br0 mtu {mtu}")
    both = lower_devices("br0")
    run("ip address add 10.0.0.1/24 dev br0")
    run("ip neigh add 10.0.0.2 lladdr 02:00:00:00:00:42 dev br0")
    run("bridge fdb replace 02:00:00:00:00:42 dev near1 master static")
    return {
        "both": both,
        "towards": lower_devices("br0", "10.0.0.2"),
        "facts": {each["name"]: (each["master"], each["master_kind"]) for each in read_interfaces()},
    }


def test_of_a_bridge_the_port_towards_the_peer_is_told_once_it_is_known() -> None:
    found = in_own_namespace(_bridge_over_two_ports)
    assert sorted((each["name"], each["mtu"], each["above"], each["kind_above"]) for each in found["both"]) == [
        ("near0", 1500, "br0", "bridge"),
        ("near1", 4000, "br0", "bridge"),
    ]
    assert [each["name"] for each in found["towards"]] == ["near1"]
    assert found["facts"]["near0"] == ("br0", "bridge")
    assert found["facts"]["br0"] == ("", "")


def _stacked_on_a_bridge() -> list[dict[str, Any]]:
    make_pair("near0", "far0")
    for line in (
        "ip link add br0 type bridge",
        "ip link set dev near0 master br0",
        "ip link set dev br0 up",
        "ip link add link br0 name up7 type macvlan",
    ):
        run(line)
    return list(lower_devices("up7"))


def test_everything_below_is_told_nearest_first() -> None:
    assert [(each["name"], each["above"]) for each in in_own_namespace(_stacked_on_a_bridge)] == [
        ("br0", "up7"),
        ("near0", "br0"),
    ]


def _around() -> dict[str, Any]:
    make_pair("near0", "far0")
    make_pair("near1", "far1")
    run("ip address add 10.0.0.1/24 dev near0")
    run("ip address add 10.9.0.1/24 dev near1")
    plain = surroundings({"interface": "near0", "peer": "10.0.0.2"})
    run("sysctl -qw net.ipv4.conf.near0.rp_filter=1")
    run("ip route add 10.0.0.2/32 dev near1")
    run("ip link set dev far0 down")
    return {
        "plain": plain,
        "strict": surroundings({"interface": "near0", "peer": "10.0.0.2"}),
        "routed": surroundings({"interface": "near1", "peer": "10.9.0.7"}),
        "missing": surroundings({"interface": "none9", "peer": "10.0.0.2"}),
        "lower": lower_devices("none9"),
    }


def test_carrier_way_back_and_strictness_are_seen() -> None:
    found = in_own_namespace(_around)
    assert (found["plain"]["up"], found["plain"]["carrier"], found["plain"]["leaves_by"]) == (True, True, "near0")
    assert (found["plain"]["neighbour"], found["plain"]["lower"], found["plain"]["filters"]) == ("", [], [])
    assert (found["strict"]["strict_reverse_path"], found["strict"]["leaves_by"]) == (True, "near1")
    assert found["strict"]["carrier"] is False
    assert found["routed"]["strict_reverse_path"] is False
    assert found["missing"]["up"] is False
    assert found["lower"] == []
