"""As found: what an image holds, how differences are sorted, and that the printed commands mend them."""

from __future__ import annotations

import copy
import shlex
import subprocess
import time
from typing import Any

import pytest

from orchestrator.onhost.image import differences, take_image
from orchestrator.onhost.settings import CATALOGUE
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

MTU_OF_NEAR = {"setting": "mtu", "target": "near0"}


def image(**items: Any) -> dict[str, Any]:
    return {
        "interfaces": ["near0"],
        "stacked": {"top0": "near0"},
        "items": {key.replace("__", ":").replace("_0", "0"): value for key, value in items.items()},
    }


def test_the_same_host_has_no_difference() -> None:
    now = take_image(["lo"])
    assert differences(now, copy.deepcopy(now), [{"setting": "mtu", "target": "lo"}]) == {"touched": [], "other": []}


@pytest.mark.parametrize("lost", [True, False])
def test_what_an_interface_lost_because_somebody_switched_it_off_is_told_with_that_and_mended_by_switching_it_on(
    lost: bool,
) -> None:
    address = {"address": "10.0.0.1", "prefix": 24}
    before = {"stacked": {}, "items": {"link:near0:up": True, "address:near0:10.0.0.1/24": address}}
    now = {"items": {"link:near0:up": False, **({} if lost else {"address:near0:10.0.0.1/24": address})}}
    found = differences(before, now, [MTU_OF_NEAR])
    told_of, told_apart = found["touched"], found["other"]
    assert [entry["key"] for entry in told_of] == (["link:near0:up", "address:near0:10.0.0.1/24"] if lost else [])
    assert [entry["key"] for entry in told_apart] == ([] if lost else ["link:near0:up"])
    assert (told_of + told_apart)[0]["command"] == "ip link set dev near0 up"


def test_a_difference_in_what_was_touched_is_told_from_any_other() -> None:
    before = {
        "stacked": {"top0": "near0"},
        "items": {
            "link:near0:mtu": 1500,
            "link:top0:mtu": 1500,
            "link:other0:mtu": 1500,
            "address:near0:10.0.0.1/24": {"a": 1},
            "feature:near0:rx-gro": "on",
        },
    }
    now = {
        "items": {
            "link:near0:mtu": 9000,
            "link:top0:mtu": 1400,
            "link:other0:mtu": 1400,
            "address:near0:10.0.0.2/24": {"address": "10.0.0.2", "prefix": 24},
            "feature:near0:rx-gro": "off",
        }
    }
    before["items"]["address:near0:10.0.0.1/24"] = {"address": "10.0.0.1", "prefix": 24}
    found = differences(before, now, [MTU_OF_NEAR])
    # an MTU change may lose an address; one that somebody added meanwhile is theirs
    assert [entry["key"] for entry in found["touched"]] == [
        "link:near0:mtu",
        "link:top0:mtu",
        "address:near0:10.0.0.1/24",
    ]
    assert [entry["key"] for entry in found["other"]] == [
        "link:other0:mtu",
        "address:near0:10.0.0.2/24",
        "feature:near0:rx-gro",
    ]
    assert [entry["what"] for entry in found["touched"]][:2] == ["mtu of near0", "mtu of top0"]
    assert [entry["command"] for entry in found["other"]] == [
        "ip link set dev other0 mtu 1500",
        "ip address delete 10.0.0.2/24 dev near0",
        "ethtool -K near0 rx-gro on",
    ]


def test_what_comes_and_goes_by_itself_is_never_laid_at_our_door() -> None:
    leased = {"address": "10.0.0.1", "prefix": 24, "passing": True}
    before = {"stacked": {}, "items": {"address:near0:10.0.0.1/24": leased}}
    found = differences(before, {"items": {}}, [MTU_OF_NEAR])
    assert found["touched"] == []
    assert len(found["other"]) == 1


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_what_a_setting_touches_is_in_the_image_of_some_host(name: str) -> None:
    sections = {
        "link",
        "address",
        "route",
        "neighbour",
        "feature",
        "ring",
        "coalescing",
        "pause",
        "channels",
        "energy",
        "negotiation",
        "steering",
        "interrupt",
        "sysctl",
        "qdisc",
        "clock",
    }
    for pattern in (*CATALOGUE[name].touches, *CATALOGUE[name].may_lose):
        section, interface, _ = pattern.split(":", 2)
        assert section in sections
        assert interface in ("", "*", "{target}")


def disturb_and_mend() -> tuple[list[Any], dict[str, Any]]:
    """Change a host in many ways, type what the differences say, and compare again."""
    make_pair()
    for line in (
        "ip address add 10.0.0.1/24 dev near0",
        "ip -6 address add 2001:db8::5/64 dev near0 nodad",
        "ip route add 10.9.0.0/16 via 10.0.0.77 dev near0 metric 5 advmss 999",
        "ip -6 route add 2001:db8:7::/48 via 2001:db8::1 dev near0",
        "ip neighbour add 10.0.0.8 lladdr 02:00:00:00:00:08 dev near0 nud permanent",
    ):
        run(line)
    time.sleep(2.2)
    before = take_image(["near0"])
    for line in (
        "ip link set dev near0 mtu 1400",
        "ip link set dev near0 txqueuelen 5",
        "ip route delete 10.9.0.0/16",
        "ip -6 route delete 2001:db8:7::/48",
        "ip -6 address delete 2001:db8::5/64 dev near0",
        "ip address add 10.1.0.1/24 dev near0",
        "ip neighbour delete 10.0.0.8 dev near0",
        "ip neighbour add 10.0.0.9 lladdr 02:00:00:00:00:09 dev near0 nud permanent",
        "ethtool -K near0 gro on tso off",
        "tc qdisc add dev near0 root pfifo limit 9",
        "sysctl -qw net.ipv4.tcp_sack=0 net.ipv4.tcp_congestion_control=reno net.ipv6.conf.near0.hop_limit=9",
        "ip link set dev far0 mtu 1300",
    ):
        run(line)
    with open("/sys/class/net/near0/queues/rx-0/rps_cpus", "w") as steering:  # noqa: PTH123 - a kernel file
        steering.write("1")
    found = differences(before, take_image(["near0"]), [MTU_OF_NEAR])
    entries = found["touched"] + found["other"]
    for entry in entries:
        type_it(entry["command"])
    return entries, differences(before, take_image(["near0"]), [MTU_OF_NEAR])


def type_it(command: str) -> None:
    """As a shell would run it; a redirection and one command after another are all that is needed of one."""
    for each in command.split(" && "):
        words = shlex.split(each)
        if words[0] == "echo":
            with open(words[3], "w") as file:  # noqa: PTH123 - a kernel file
                file.write(words[1])
        else:
            subprocess.run(words, check=True, capture_output=True, timeout=20)


@pytest.mark.lab
def test_every_difference_has_a_command_that_mends_it() -> None:
    entries, after = in_own_namespace(disturb_and_mend)
    assert after == {"touched": [], "other": []}
    kinds = {entry["key"].split(":")[0] for entry in entries}
    assert kinds == {"link", "address", "route", "neighbour", "feature", "qdisc", "sysctl", "steering"}
    assert all(entry["command"] for entry in entries)
