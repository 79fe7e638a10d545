"""An MTU below 1280 takes IPv6 off an interface; all of it comes back, and what lies on top too."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest

from orchestrator.onhost.image import differences, take_image
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import CATALOGUE, catalogue
from tests.onhost.own_namespace import in_own_namespace, make_pair, run
from tests.testing.fake_host import INTERFACE, fake_host

MTU = CATALOGUE["mtu"]


def all_that_others_see() -> str:
    return "".join(
        run(line)
        for line in (
            "ip -6 address",
            "ip -6 route show table all",
            "ip -6 neighbour show nud permanent",
            "ip -6 neighbour show proxy",
            "sysctl -a --pattern ^net.ipv6.(conf|neigh).(near0|top0)",
            "ip -d link",
            "ip -4 route",
            "ip -4 address",
        )
    )


def make_a_host_with_much_ipv6() -> None:
    make_pair()
    run("ip link set dev far0 mtu 9000")
    run("ip link add link near0 name top0 type macvlan mode bridge")
    run("ip link set dev top0 up")
    for line in (
        "ip address add 10.0.0.5/24 dev near0",
        "ip -6 address add 2001:db8::5/64 dev near0 nodad",
        "ip -6 address add 2001:db8::6/64 dev near0 noprefixroute",
        "ip -6 address add 2001:db8:1::5/64 dev top0",
        "ip -6 route add 2001:db8:9::/48 via 2001:db8::9 dev near0 metric 77 mtu 1400",
        "ip -6 route add default via 2001:db8:9::1 dev near0 onlink table 77",
        "ip -6 route add unreachable 2001:db8:bad::/48",
        "ip -6 neighbour add 2001:db8::9 lladdr 02:00:00:00:00:09 dev near0 nud permanent",
        "ip -6 neighbour add proxy 2001:db8::77 dev near0",
        "sysctl -qw net.ipv6.conf.near0.hop_limit=77 net.ipv6.conf.near0.accept_ra=2",
        "sysctl -qw net.ipv6.neigh.near0.gc_stale_time=99 net.ipv6.conf.top0.use_tempaddr=1",
    ):
        run(line)
    time.sleep(2.5)  # duplicate checks of what was added without the flag


def below_and_back(levels: list[int]) -> tuple[str, str, bool]:
    make_a_host_with_much_ipv6()
    as_found, image = all_that_others_see(), take_image(["near0"])
    before = json.loads(json.dumps(MTU.read("near0")))
    for level in levels:
        MTU.apply("near0", level)
        assert MTU.verify("near0", level) == {"ok": True, "seen": level, "why": ""}
        assert bool(run("ip -6 address show dev near0")) == (level >= 1280)
        if level >= 1500:  # a level of a later cell finds IPv6 as it was, without waiting for a duplicate check
            assert "2001:db8::5/64" in run("ip -6 address show dev near0 -tentative")
            assert "77" in run("sysctl -n net.ipv6.conf.near0.hop_limit")
    MTU.restore("near0", before)
    found = differences(image, take_image(["near0"]), [{"setting": "mtu", "target": "near0"}])
    assert found == {"touched": [], "other": []}
    return as_found, all_that_others_see(), MTU.same(before, MTU.read("near0"))


@pytest.mark.lab
@pytest.mark.parametrize("levels", [[1000], [1279, 576, 68], [1000, 9000, 900, 1500], [9000], [1000, 1280]])
def test_ipv6_and_the_interfaces_on_top_come_back_whole(levels: list[int]) -> None:
    as_found, at_the_end, same = in_own_namespace(below_and_back, levels)
    assert at_the_end == as_found
    assert same


def typed_by_a_person() -> dict[str, Any]:
    make_a_host_with_much_ipv6()
    image = take_image(["near0"])
    before = MTU.read("near0")
    run("ip link set dev near0 mtu 1000")
    for command in MTU.mend_command("near0", before).split(" && "):
        run(command)
    return differences(image, take_image(["near0"]), [{"setting": "mtu", "target": "near0"}])


@pytest.mark.lab
def test_the_printed_command_really_brings_the_addresses_back() -> None:
    left = in_own_namespace(typed_by_a_person)
    # the kernel marks what a person added instead of itself: a link-local address without its origin, nothing missing
    assert not [entry for entry in left["touched"] if entry["now"] is None], left


def on_an_interface_below_1280() -> str:
    make_pair()
    run("ip link set dev near0 mtu 1000")
    before = MTU.read("near0")
    MTU.apply("near0", 1500)
    assert "inet6" in run("ip -6 address show dev near0")
    MTU.restore("near0", before)
    return run("ip address show dev near0")


@pytest.mark.lab
def test_a_host_found_below_1280_goes_back_below() -> None:
    seen = in_own_namespace(on_an_interface_below_1280)
    assert "mtu 1000" in seen
    assert "inet6" not in seen


def test_no_jumbo_frames_is_said_in_the_words_of_the_trade() -> None:
    kernel = fake_host()
    kernel.links_by_name[INTERFACE]["max_mtu"] = 1500
    mtu = catalogue(kernel)["mtu"]
    assert mtu.check(INTERFACE, 9000) == f"{INTERFACE} cannot do jumbo frames: its driver's maximum MTU is 1500"
    kernel.links_by_name[INTERFACE]["max_mtu"] = 4096
    assert "its driver's maximum is 4096" in mtu.check(INTERFACE, 9000)
    kernel.links_by_name[INTERFACE]["min_mtu"] = 256
    assert "its driver's minimum is 256" in mtu.check(INTERFACE, 68)
    with pytest.raises(Refusal) as refused:
        mtu.apply(INTERFACE, 9000)
    assert refused.value.code == "cannot"
    assert kernel.links_by_name[INTERFACE]["mtu"] == 1500


def test_an_interface_on_another_is_limited_by_it() -> None:
    kernel = fake_host()
    kernel.links_by_name["top"] = {
        **kernel.links_by_name[INTERFACE],
        "name": "top",
        "index": 9,
        "kind": "vlan",
        "parent": kernel.links_by_name[INTERFACE]["index"],
    }
    mtu = catalogue(kernel)["mtu"]
    assert f"it lies on {INTERFACE}, whose MTU is 1500" in mtu.check("top", 9000)
    before = mtu.read(INTERFACE)
    kernel.set_link(2, mtu=1200)
    kernel.set_link(9, mtu=1200)  # as the kernel does of itself
    mtu.restore(INTERFACE, before)
    assert kernel.links_by_name["top"]["mtu"] == 1500
