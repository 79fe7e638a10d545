"""Settings on a real kernel: what is applied is read with other people's programs, and all ends as it began.

Every test runs in network namespaces that it makes itself; what a veth pair cannot do (rings, coalescing, pause,
speeds, energy) is proven on a host in memory here and on emulated cards in tests/proofs.sh.
"""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from orchestrator.onhost.image import differences, take_image
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import CATALOGUE
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

pytestmark = pytest.mark.lab

NEAR = "near0"


def ip_link(*what: str) -> Any:
    found = json.loads(run(f"ip -d -j link show dev {NEAR}"))[0]
    for name in what:
        found = found[name]
    return found


def ethtool_feature(name: str) -> str:
    lines = run(f"ethtool -k {NEAR}").splitlines()
    return next(line.split()[1] for line in lines if line.strip().startswith(f"{name}:"))


def sys_file(path: str) -> str:
    return Path(f"/sys/class/net/{NEAR}/{path}").read_text().strip()


def qdisc() -> str:
    return run(f"tc qdisc show dev {NEAR} root")


# setting, level, how somebody else sees it, what they must see
ON_VETH: dict[str, tuple[str, Any, Any, Any]] = {
    "mtu": ("mtu", 9000, lambda: ip_link("mtu"), 9000),
    "queue length": ("transmit-queue-length", 77, lambda: ip_link("txqlen"), 77),
    "segmentation": (
        "segmentation-offload",
        "off",
        lambda: [
            ethtool_feature(name)
            for name in (
                "tx-tcp-segmentation",
                "tx-tcp6-segmentation",
                "generic-segmentation-offload",
                "tx-udp-segmentation",
            )
        ],
        ["off"] * 4,
    ),
    "coalescing": ("receive-offload", "on", lambda: ethtool_feature("generic-receive-offload"), "on"),
    "checksums": (
        "checksum-offload",
        "off",
        lambda: [ethtool_feature(name) for name in ("tx-checksum-ip-generic", "rx-checksumming")],
        ["off", "off"],
    ),
    "scatter-gather": ("scatter-gather", "off", lambda: ethtool_feature("tx-scatter-gather"), "off"),
    "one feature": ("feature.tx-udp-segmentation", "off", lambda: ethtool_feature("tx-udp-segmentation"), "off"),
    "channels": (
        "channels",
        2,
        lambda: run(f"ethtool -l {NEAR}").split("Current")[1].split()[3:7],
        ["2", "TX:", "2", "Other:"],
    ),
    "pfifo": ("queueing", "pfifo limit=77", qdisc, "limit 77p"),
    "bfifo": ("queueing", "bfifo limit=70000", qdisc, "bfifo"),
    "pfifo_fast": ("queueing", "pfifo_fast", qdisc, "pfifo_fast"),
    "receive steering": ("receive-steering", "all", lambda: sys_file("queues/rx-0/rps_cpus"), "3"),
    "transmit steering": ("transmit-steering", 1, lambda: sys_file("queues/tx-0/xps_cpus"), "2"),
    "congestion": ("congestion-control", "reno", lambda: run("sysctl -n net.ipv4.tcp_congestion_control"), "reno\n"),
    "receive memory": (
        "tcp-receive-memory",
        "4096 87380 1000000",
        lambda: run("sysctl -n net.ipv4.tcp_rmem").split(),
        ["4096", "87380", "1000000"],
    ),
    "transmit memory": (
        "tcp-transmit-memory",
        [4096, 8192, 16384],
        lambda: run("sysctl -n net.ipv4.tcp_wmem").split(),
        ["4096", "8192", "16384"],
    ),
    "probing": ("mtu-probing", "always", lambda: run("sysctl -n net.ipv4.tcp_mtu_probing"), "2\n"),
    "any parameter": ("net.ipv4.tcp_sack", 0, lambda: run("sysctl -n net.ipv4.tcp_sack"), "0\n"),
    "interface parameter": (
        f"net.ipv6.conf.{NEAR}.hop_limit",
        33,
        lambda: run(f"sysctl -n net.ipv6.conf.{NEAR}.hop_limit"),
        "33\n",
    ),
    "test addresses": (
        "test-address",
        ["198.18.0.11/24", "2001:2::11/64"],
        lambda: sorted(
            each["local"]
            for each in json.loads(run(f"ip -j address show dev {NEAR}"))[0]["addr_info"]
            if each["scope"] == "global"
        ),
        ["198.18.0.11", "2001:2::11"],
    ),
}


def make_link_with_queues() -> None:
    run(f"ip link add name {NEAR} numrxqueues 2 numtxqueues 2 type veth peer name far0 numrxqueues 2 numtxqueues 2")
    run("ip link set dev far0 mtu 9000")
    for name in (NEAR, "far0"):
        run(f"ethtool -L {name} rx 1 tx 1")
        run(f"ip link set dev {name} up")
    time.sleep(2.2)  # the duplicate checks of the link-local addresses, so that the image stands still


def apply_and_restored(case: str) -> None:
    name, level, seen_by_others, expected = ON_VETH[case]
    make_link_with_queues()
    setting = CATALOGUE[name]
    target = NEAR if setting.scope == "interface" else ""
    as_found = take_image([NEAR])
    before = json.loads(json.dumps(setting.read(target, level)))
    assert not setting.verify(target, level)["ok"], "the case would prove nothing"
    assert setting.check(target, level) == ""
    setting.apply(target, level)
    seen = seen_by_others()
    assert expected in seen if isinstance(seen, str) and "qdisc" in seen else seen == expected, seen
    assert setting.verify(target, level) == {"ok": True, "seen": setting.verify(target, level)["seen"], "why": ""}
    setting.restore(target, before)
    assert setting.same(before, setting.read(target, level))
    place = {"setting": name, "target": target}
    assert differences(as_found, take_image([NEAR]), [place]) == {"touched": [], "other": []}


@pytest.mark.parametrize("case", ON_VETH)
def test_what_is_applied_is_seen_by_others_and_restored(case: str) -> None:
    in_own_namespace(apply_and_restored, case)


def type_the_keeping_command(case: str) -> None:
    name, level, _, _ = ON_VETH[case]
    make_pair()
    run("ip link set dev far0 mtu 9000")
    setting = CATALOGUE[name]
    target = NEAR if setting.scope == "interface" else ""
    assert not setting.verify(target, level)["ok"], "the case would prove nothing"
    subprocess.run(["/bin/sh", "-c", setting.keep_command(target, level)], check=True, capture_output=True, timeout=20)
    assert setting.verify(target, level)["ok"]


@pytest.mark.parametrize("case", [case for case in ON_VETH if case not in ("test addresses", "channels")])
def test_the_command_that_keeps_a_level_gives_it(case: str) -> None:
    in_own_namespace(type_the_keeping_command, case)


SEQUENCE_CASES = [case for case in ON_VETH if case != "test addresses"]  # asking the link takes seconds


def walk(steps: list[int]) -> None:
    make_pair()
    run("sysctl -qw net.ipv6.conf.near0.dad_transmits=0")
    run("ip link set dev far0 mtu 9000")
    time.sleep(0.1)
    as_found = take_image([NEAR])
    before: dict[str, Any] = {}
    for step in steps:
        name, level, _, _ = ON_VETH[SEQUENCE_CASES[step % len(SEQUENCE_CASES)]]
        level = 1000 if name == "mtu" and step >= len(SEQUENCE_CASES) else level
        setting = CATALOGUE[name]
        target = NEAR if setting.scope == "interface" else ""
        if name not in before:
            before[name] = (target, setting.read(target, level))
        if not setting.check(target, level):
            setting.apply(target, level)
    for name, (target, value) in reversed(before.items()):
        CATALOGUE[name].restore(target, value)
    places = [{"setting": name, "target": target} for name, (target, _) in before.items()]
    assert differences(as_found, take_image([NEAR]), places) == {"touched": [], "other": []}, steps


@given(steps=st.lists(st.integers(0, 2 * len(SEQUENCE_CASES) - 1), min_size=1, max_size=8))
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
def test_any_sequence_on_a_real_interface_ends_as_it_began(steps: list[int]) -> None:
    in_own_namespace(walk, steps)


def refuse_the_machines_own() -> dict[str, str]:
    make_pair()
    levels = {
        "backlog": 5000,
        "tcp-memory": "1 2 3",
        "busy-polling": 50,
        "receive-buffer-limit": "16MiB",
        "transmit-buffer-limit": "16MiB",
        "flow-steering": 512,
        "interrupt-cores": 0,
        "idle-limit": 0,
        "governor": "performance",
        "boost": "off",
        "min-frequency": "1GHz",
        "max-frequency": "1GHz",
    }
    said = {}
    for name, level in levels.items():
        setting = CATALOGUE[name]
        target = NEAR if setting.scope == "interface" else ""
        said[name] = setting.check(target, level)
        assert said[name], name
        with pytest.raises(Refusal):
            setting.apply(target, level)
    return said


def test_what_belongs_to_the_machine_below_is_refused_in_a_namespace_and_stays() -> None:
    machine = [
        "/proc/sys/net/core/netdev_max_backlog",
        "/proc/sys/net/ipv4/tcp_mem",
        "/proc/sys/net/core/busy_poll",
        "/proc/sys/net/core/rmem_max",
        "/proc/sys/net/core/rps_sock_flow_entries",
        *map(str, Path("/sys/devices/system/cpu").glob("cpu*/cpuidle/state*/disable")),
    ]
    found = {path: Path(path).read_text() for path in machine}
    said = in_own_namespace(refuse_the_machines_own)
    assert {path: Path(path).read_text() for path in machine} == found
    # idle states are those of the machine that runs the tests, and the only files here that a namespace could write
    assert not any("disable" in path for path in machine) or "belongs to the whole machine" in said["idle-limit"]
    for name in ("receive-buffer-limit", "backlog", "tcp-memory", "busy-polling"):  # they may not even exist there
        assert "only a network namespace" in said[name]


def take_an_address_in_use() -> None:
    run("ip netns add other")
    run(f"ip link add name {NEAR} type veth peer name there netns other")
    run(f"ip link set dev {NEAR} up")
    run("ip -n other link set dev there up")
    run("ip -n other address add 198.18.0.12/24 dev there")
    run("ip -n other address add 2001:2::12/64 dev there nodad")
    setting = CATALOGUE["test-address"]
    free = ["198.18.0.11/24", "2001:2::11/64"]
    before = setting.read(NEAR, free)
    for used in ("198.18.0.12/24", "2001:2::12/64"):
        with pytest.raises(Refusal, match="in use"):
            setting.apply(NEAR, used)
    setting.apply(NEAR, free)
    assert "tentative" not in run(f"ip address show dev {NEAR} to 2001:2::/48")
    assert "198.18.0.11" in setting.check("lo", "198.18.0.13/24")  # another interface of the host has that network
    setting.apply(NEAR, "198.18.0.21/24")  # another level takes the earlier addresses away
    assert setting.read(NEAR) == ["198.18.0.21/24"]
    setting.restore(NEAR, before)
    assert setting.read(NEAR) == []
    assert "198.18" not in run("ip neighbour")


def test_an_address_that_somebody_uses_is_never_taken() -> None:
    in_own_namespace(take_an_address_in_use)


def refuse_a_tree_of_its_own() -> str:
    make_pair()
    run(f"tc qdisc add dev {NEAR} root handle 1: htb default 1")
    run(f"tc class add dev {NEAR} parent 1: classid 1:1 htb rate 1gbit")
    found = run(f"tc qdisc show dev {NEAR}")
    with pytest.raises(Refusal):
        CATALOGUE["queueing"].apply(NEAR, "pfifo")
    assert run(f"tc qdisc show dev {NEAR}") == found
    return CATALOGUE["queueing"].check(NEAR, "pfifo")


def test_queueing_that_could_not_be_restored_is_not_touched() -> None:
    assert "htb" in in_own_namespace(refuse_a_tree_of_its_own)


def own_queueing_comes_back() -> None:
    make_pair()
    run(f"tc qdisc add dev {NEAR} root handle 7: bfifo limit 50000")
    found = run(f"tc qdisc show dev {NEAR}")
    setting = CATALOGUE["queueing"]
    before = setting.read(NEAR)
    for level in ("pfifo limit=3", "bfifo limit=7000", "noqueue", "default"):
        setting.apply(NEAR, level)
        assert setting.verify(NEAR, level)["ok"], level
        setting.restore(NEAR, before)
        assert run(f"tc qdisc show dev {NEAR}") == found


def test_a_discipline_that_was_there_comes_back_with_its_number_and_limit() -> None:
    in_own_namespace(own_queueing_comes_back)


def ask_for_what_veth_has_not() -> dict[str, str]:
    make_pair()
    return {
        name: CATALOGUE[name].check(NEAR, level)
        for name, level in {
            "receive-ring": 512,
            "interrupt-coalescing": "rx-usecs=5",
            "pause-frames": "off",
            "speed": "1Gbit/s",
            "energy-efficient-ethernet": "off",
            "channels": 64,
            "feature.no-such-thing": "on",
            "feature.rx-all": "on",
            "mtu": 65536,
            "net.ipv4.no_such_thing": 1,
            "queueing": "fq",
        }.items()
    }


def test_what_a_driver_has_not_is_said_in_a_sentence() -> None:
    said = in_own_namespace(ask_for_what_veth_has_not)
    queueing = said.pop("queueing")
    assert queueing == "" or "fq" in queueing  # whether a kernel has a discipline shows when it is set
    for name, sentence in said.items():
        assert len(sentence.split()) >= 5, (name, sentence)
