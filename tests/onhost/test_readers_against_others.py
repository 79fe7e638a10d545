"""What we read ourselves, read by others too: iproute2, ethtool, pyroute2 and psutil must see the same host."""

from __future__ import annotations

import json
import os
import socket
import time
from pathlib import Path
from typing import Any

import psutil
import pytest
from pyroute2 import IPRoute

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.netlink.filter_tables import filter_tables
from orchestrator.onhost.service.facts import read_facts, read_interfaces
from tests.onhost.own_namespace import as_ordinary_user, in_own_namespace, make_pair, run


def a_busy_namespace() -> None:
    make_pair()
    for line in (
        "ip link add link near0 name top0 type macvlan",
        "ip link add name br0 type bridge",
        "ip link set dev far0 master br0",
        "ip address add 10.0.0.1/24 dev near0",
        "ip address add 10.0.0.2/24 dev near0 valid_lft 300 preferred_lft 200",
        "ip -6 address add 2001:db8::5/64 dev near0",
        "ip link set dev near0 mtu 1400 txqueuelen 55",
        "ip link set dev near0 gro_max_size 20000",
        "ip route add 10.9.0.0/16 via 10.0.0.77 metric 5",
        "ip route add blackhole 10.8.0.0/16",
        "ip -6 route add 2001:db8:9::/48 via 2001:db8::1",
        "ip route add 10.7.0.0/16 nexthop via 10.0.0.3 dev near0 nexthop via 10.0.0.4 dev near0",
        "ip neighbour add 10.0.0.8 lladdr 02:00:00:00:00:08 dev near0 nud permanent",
    ):
        run(line)


def links_by_both() -> tuple[list[Any], list[Any]]:
    a_busy_namespace()
    theirs = [
        [
            link["ifname"],
            link["ifindex"],
            link["mtu"],
            link["min_mtu"],
            link["max_mtu"],
            link["txqlen"],
            link["gro_max_size"],
            link["operstate"].lower(),
            link["address"],
            link["qdisc"],
            link.get("linkinfo", {}).get("info_kind", ""),
        ]
        for link in json.loads(run("ip -d -j link show"))
    ]
    ours = [
        [
            link["name"],
            link["index"],
            link["mtu"],
            link["min_mtu"],
            link["max_mtu"],
            link["transmit_queue_length"],
            link["gro_max_size"],
            link["operstate"],
            link["mac"],
            link["qdisc"],
            link["kind"],
        ]
        for link in netlink.links()
    ]
    return ours, theirs


@pytest.mark.lab
def test_links_are_what_ip_sees() -> None:
    ours, theirs = in_own_namespace(links_by_both)
    assert sorted(ours) == sorted(theirs)
    assert len(ours) == 5


def addresses_by_both() -> tuple[list[Any], list[Any], list[Any]]:
    a_busy_namespace()
    time.sleep(0.2)
    ours = sorted(
        [each["index"], each["address"], each["prefix"], "tentative" in each["flags"], each["valid_s"]]
        for each in netlink.addresses()
    )
    with IPRoute() as route:
        theirs = sorted(
            [
                each["index"],
                each.get_attr("IFA_LOCAL") or each.get_attr("IFA_ADDRESS"),
                each["prefixlen"],
                bool(each.get_attr("IFA_FLAGS") & 0x40),
                None
                if each.get_attr("IFA_CACHEINFO")["ifa_valid"] == 0xFFFFFFFF
                else each.get_attr("IFA_CACHEINFO")["ifa_valid"],
            ]
            for each in route.get_addr()
        )
    facts = sorted(
        [each["name"], one["address"], one["prefix"]] for each in read_interfaces() for one in each["addresses"]
    )
    return ours, theirs, facts


@pytest.mark.lab
def test_addresses_with_flags_and_lifetimes_are_what_pyroute2_sees() -> None:
    ours, theirs, facts = in_own_namespace(addresses_by_both)
    assert ours == theirs
    assert any(entry[4] for entry in ours)
    assert any(entry[3] for entry in ours)
    assert ["near0", "10.0.0.1", 24] in facts


def routes_by_both() -> tuple[list[Any], list[Any], list[Any], list[Any]]:
    a_busy_namespace()
    ours = sorted(
        [each["family"], each["destination"], each["table"], each["priority"], each["gateway"], each["type"]]
        for each in netlink.routes()
    )
    types = {1: "unicast", 2: "local", 3: "broadcast", 4: "anycast", 5: "multicast", 6: "blackhole", 7: "unreachable"}
    with IPRoute() as route:
        both = [each for family in (socket.AF_INET, socket.AF_INET6) for each in route.get_routes(family=family)]
        theirs = sorted(
            [
                4 if each["family"] == socket.AF_INET else 6,
                f"{each.get_attr('RTA_DST')}/{each['dst_len']}" if each.get_attr("RTA_DST") else "default",
                each.get_attr("RTA_TABLE"),
                each.get_attr("RTA_PRIORITY") or 0,
                each.get_attr("RTA_GATEWAY") or "",
                types[each["type"]],
            ]
            for each in both
        )
        fixed = sorted(each.get_attr("NDA_DST") for each in route.get_neighbours() if each["state"] == 0x80)
    our_fixed = sorted(each["address"] for each in netlink.neighbours() if each["state"] == "permanent")
    return ours, theirs, our_fixed, fixed


@pytest.mark.lab
def test_routes_and_fixed_neighbours_are_what_pyroute2_sees() -> None:
    ours, theirs, our_fixed, fixed = in_own_namespace(routes_by_both)
    assert ours == theirs
    assert len(ours) > 10
    assert our_fixed == fixed == ["10.0.0.8"]


def routes_taken_away_and_restored() -> tuple[str, str]:
    a_busy_namespace()
    found = run("ip route") + run("ip -6 route")
    for entry in [each for each in netlink.routes() if each["protocol"] == "boot"]:
        netlink.delete_route(entry)
        netlink.add_route(entry)
    return found, run("ip route") + run("ip -6 route")


@pytest.mark.lab
def test_a_route_with_several_ways_is_restored_exactly() -> None:
    found, again = in_own_namespace(routes_taken_away_and_restored)
    assert sorted(found.splitlines()) == sorted(again.splitlines())
    assert "nexthop via 10.0.0.4" in found


def refused_by_the_kernel() -> str:
    make_pair()
    link = netlink.find_link("near0")
    assert link is not None
    try:
        netlink.set_link(link["index"], mtu=70_000)
    except netlink.NetlinkError as error:
        return str(error.strerror)
    return ""


@pytest.mark.lab
def test_a_refusal_carries_the_kernels_own_words() -> None:
    assert in_own_namespace(refused_by_the_kernel) == "mtu greater than device maximum"


def features_by_both() -> tuple[dict[str, str], dict[str, str]]:
    make_pair()
    run("ethtool -K near0 tx-udp-segmentation off gro on")
    ours = {
        name: ("on" if state["active"] else "off") + ("" if state["changeable"] else " [fixed]")
        for name, state in ethtool.features("near0").items()
    }
    # ethtool puts names of its own on some; those it prints as the kernel's are compared
    theirs = {
        line.split(":")[0].strip(): line.split(":")[1].replace("[requested on]", "").strip()
        for line in run("ethtool -k near0").splitlines()[1:]
    }
    return ours, theirs


@pytest.mark.lab
def test_features_are_what_ethtool_sees() -> None:
    ours, theirs = in_own_namespace(features_by_both)
    common = {name for name in ours if name in theirs}
    assert {name: ours[name] for name in common} == {name: theirs[name] for name in common}
    assert len(common) > 30
    # names that ethtool replaces by its own: eight old groups (rx-gro is its generic-receive-offload and so on)
    assert len(ours) - len(common) <= 12
    assert ours["tx-udp-segmentation"] == "off"


def driver_by_both() -> tuple[dict[str, str] | None, str, Any, str]:
    make_pair()
    return ethtool.driver_info("near0"), run("ethtool -i near0"), ethtool.link_settings("near0"), run("ethtool near0")


@pytest.mark.lab
def test_driver_and_speed_are_what_ethtool_sees() -> None:
    driver, theirs, settings, their_settings = in_own_namespace(driver_by_both)
    assert driver is not None
    assert f"driver: {driver['driver']}" in theirs
    assert f"version: {driver['version']}" in theirs
    assert f"Speed: {settings['speed_bit_s'] // 1_000_000}Mb/s" in their_settings
    assert f"Duplex: {settings['duplex'].capitalize()}" in their_settings


def test_facts_are_what_psutil_sees() -> None:
    facts = read_facts()
    theirs_up, theirs = psutil.net_if_stats(), psutil.net_if_addrs()
    ours = {each["name"]: each for each in facts["interfaces"]}
    assert set(ours) == set(theirs_up)
    for name, stats in theirs_up.items():
        assert ours[name]["mtu"] == stats.mtu
        assert (ours[name]["speed_bit_s"] or 0) // 1_000_000 == stats.speed
        addresses = {
            one.address.split("%")[0] for one in theirs.get(name, []) if one.family in (socket.AF_INET, socket.AF_INET6)
        }
        assert {one["address"] for one in ours[name]["addresses"]} == addresses
    assert facts["cpus"] == psutil.cpu_count() == len(facts["online_cpus"])
    assert abs(facts["wall_ns"] / 1e9 - facts["boottime_ns"] / 1e9 - psutil.boot_time()) < 5
    assert facts["kernel"] == os.uname().release
    assert facts["boot_id"] == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    json.dumps(facts)


def test_facts_need_no_privilege() -> None:
    theirs, ours = as_ordinary_user(read_facts), read_facts()
    assert theirs["uid"] != 0
    kept = ("name", "driver", "bus", "max_mtu", "permanent_mac")
    assert [[each[key] for key in kept] for each in theirs["interfaces"]] == [
        [each[key] for key in kept] for each in ours["interfaces"]
    ]


def test_the_machine_id_is_not_given_away() -> None:
    own = Path("/etc/machine-id")
    if own.exists() and own.read_text().strip():
        assert own.read_text().strip() not in json.dumps(read_facts())


def filters_by_both() -> tuple[list[str], list[str], list[str]]:
    before = filter_tables()
    for line in (
        "table inet night",
        "chain inet night watch { type filter hook input priority 0 ; }",
        "table ip empty",
        "table bridge span",
        "chain bridge span plain",
    ):
        run(f"nft add {line}")
    listed = json.loads(run("nft -j list chains"))["nftables"]
    theirs = {f"{entry['chain']['family']} {entry['chain']['table']}" for entry in listed if "chain" in entry}
    return before, filter_tables(), sorted(theirs)


@pytest.mark.lab
def test_packet_filters_are_the_tables_in_which_nft_lists_chains() -> None:
    before, ours, theirs = in_own_namespace(filters_by_both)
    assert before == []
    assert ours == theirs == ["bridge span", "inet night"]
