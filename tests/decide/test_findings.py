"""Findings: each one made from a healthy bench by spoiling one thing, and a healthy bench on which there is none."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from orchestrator import wire
from orchestrator.decide.findings import SEVERITIES, LinkNeed, ceilings, findings, survey_changes
from tests.decide.benches import NEED, end, healthy_bench

Bench = dict[str, dict[str, Any]]
CARD = {
    "slot": "0000:02:00.0",
    "ids": "abcd:0010",
    "driver": "",
    "interfaces": [],
    "modules": [],
    "other_kernels": {},
    "options": {},
}


def test_a_healthy_bench_has_no_finding() -> None:
    assert findings(healthy_bench(), [NEED]) == []
    assert findings(healthy_bench()) == []


def _card(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: bench["dome"]["cards"].append({**CARD, **more})


def _end(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: end(bench).update(more)


def _both(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: [end(bench, host).update(more) for host in bench] and None


def _machine(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: bench["dome"]["machine_depth"].update(more)


def _activity(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: bench["dome"]["activity"].update(more)


def _policy(**more: Any) -> Callable[[Bench], None]:
    return lambda bench: bench["dome"]["machine_depth"]["policies"][0].update(more)


SLOW_BUS = {"kind": "pcie", "speed": "2.5 GT/s PCIe", "width": 1, "best_speed": "5.0 GT/s PCIe", "best_width": 1}
# what is spoiled: (how, code, severity, words that the finding must say)
SPOILED: dict[str, tuple[Callable[[Bench], None], str, str, list[str]]] = {
    "a card that a module of this kernel claims": (
        _card(modules=["oldcard"]),
        "card_without_driver",
        "stops",
        ["abcd:0010", "0000:02:00.0", "modprobe oldcard"],
    ),
    "a card whose driver the configuration left out, and another kernel has": (
        _card(other_kernels={"6.12.1-full": ["oldcard"]}, options={"oldcard": "off"}),
        "card_without_driver",
        "stops",
        ["oldcard is switched off", "start the installed kernel 6.12.1-full"],
    ),
    "a card that no kernel here knows": (_card(), "card_without_driver", "stops", ["install a kernel"]),
    "a driver without an interface": (_card(driver="oldcard"), "driver_without_interface", "stops", ["dmesg"]),
    "a card kept for a guest": (_card(driver="vfio-pci"), "driver_without_interface", "stops", ["for a guest"]),
    "firmware that is missing and not missed": (
        _activity(firmware_missing=["oldcard/start.bin"]),
        "firmware_missing",
        "disturbs",
        ["all the same"],
    ),
    "no carrier": (_end(carrier=False, operstate="down"), "no_carrier", "stops", ["cable"]),
    "half duplex": (_end(duplex="half"), "half_duplex", "limits", ["collide"]),
    "slower than both could": (
        _both(speed_bit_s=1_000_000_000),
        "slower_than_both",
        "limits",
        ["1 Gb/s", "2.5 Gb/s", "cable"],
    ),
    "offers less": (
        _both(speed_bit_s=10**9, offered_load_max_bit_s=10**9, peer_fastest_bit_s=10**9),
        "offers_less",
        "limits",
        ["offers 1 Gb/s"],
    ),
    "no jumbo frames": (
        _end(max_mtu=1500),
        "mtu_impossible",
        "stops",
        ["this interface cannot do jumbo frames", "no setting will change that", "9000"],
    ),
    "less than the plan's frames": (_end(max_mtu=4096), "mtu_impossible", "stops", ["4096", "9000"]),
    "no address": (_end(addresses=[]), "no_address", "stops", ["temporary"]),
    "two interfaces in one network": (
        lambda bench: bench["dome"]["interfaces"][1].update(addresses=[{"address": "198.18.0.99", "prefix": 24}]),
        "same_network",
        "disturbs",
        ["eth0", "198.18.0.0/24"],
    ),
    "errors": (_end(errors={"rx_crc_errors": 7}), "errors", "disturbs", ["7 rx_crc_errors", "cable"]),
    "errors right now": (
        _activity(new_errors={"eth1": {"rx_crc_errors": 3}}),
        "errors_now",
        "limits",
        ["3 rx_crc_errors more", "cable"],
    ),
    "a carrier that comes and goes": (
        _end(errors={"carrier_changes": 99}),
        "carrier_changes",
        "disturbs",
        ["99 times"],
    ),
    "a slow bus": (_both(bus_link=SLOW_BUS), "bus_limits", "limits", ["2.5 GT/s x1 (2 Gb/s)", "5.0 GT/s x1"]),
    "a USB card": (_both(bus_link={"kind": "usb", "mbit_s": 480}), "bus_limits", "limits", ["USB at 480 Mb/s"]),
    "all interrupts on one core": (
        _both(interrupts={"40": "1", "41": "1"}),
        "one_core_receives",
        "limits",
        ["core 1", "interrupt-cores: spread"],
    ),
    "one queue": (
        _both(interrupts={"40": "0-3"}, queues={"receive": 1, "steered": False}),
        "one_core_receives",
        "limits",
        ["one receive queue", "receive-steering"],
    ),
    "somebody sends": (_activity(traffic_bit_s={"eth1": 80_000_000}), "busy_link", "disturbs", ["80 Mb/s"]),
    "control over the measured link": (
        lambda bench: bench["dome"]["control"].update(interfaces=["br0", "eth1"]),
        "control_over_measured",
        "disturbs",
        ["eth1"],
    ),
    "too little voltage": (_machine(under_voltage=["rail in0_lcrit_alarm"]), "under_voltage", "limits", ["supply"]),
    "hot": (_machine(temperature_max_c=80.0), "hot", "disturbs", ["80 degrees", "at 85"]),
    "throttled": (_machine(throttles=12), "throttled", "disturbs", ["12 times"]),
    "powersave": (_policy(governor="powersave"), "powersave", "limits", ["lowest clock"]),
    "a capped clock": (_policy(max_khz=1200000), "clock_capped", "limits", ["1.20 GHz", "1.80"]),
    "a service": (
        _activity(services={"irqbalance": "moves interrupts"}),
        "disturbing_service",
        "disturbs",
        ["irqbalance", "moves interrupts"],
    ),
    "connection tracking": (_activity(connection_tracking=12), "connection_tracking", "limits", ["12 now"]),
    "a packet filter": (
        _activity(filters=["filter"]),
        "packet_filter",
        "disturbs",
        ['iifname "eth1"', "20000-20063 accept"],
    ),
    "a wrong clock": (
        lambda bench: bench["dome"].update(clock_offset_s=-86400.0),
        "wall_clock",
        "disturbs",
        ["-86400"],
    ),
    "ends with other MTUs": (_end(mtu=1500), "ends_differ", "differs", ["MTU", "dome 1500", "hall 9000"]),
    "ends with other kernels": (
        lambda bench: bench["hall"].update(kernel="6.1.0"),
        "ends_differ",
        "differs",
        ["kernel", "6.12.1", "6.1.0"],
    ),
    "ends with other drivers": (
        _end(driver="othercard"),
        "ends_differ",
        "differs",
        ["driver", "othercard", "uplinkcard"],
    ),
    "ends with other offloads": (_end(features=["rx-gro", "rx-checksum"]), "ends_differ", "differs", ["offloads"]),
}


@pytest.mark.parametrize("what", SPOILED)
def test_what_is_wrong_is_found_and_nothing_else(what: str) -> None:
    spoil, code, severity, words = SPOILED[what]
    bench = healthy_bench()
    spoil(bench)
    found = findings(bench, [NEED])
    assert {each.code for each in found} == {code}
    first = found[0]
    assert first.severity == severity
    text = " ".join((first.seen, first.why, first.what_to_do))
    for word in words:
        assert word in text
    assert first.seen
    assert first.why
    assert first.what_to_do
    json.dumps(first.as_dict())


def test_the_worst_comes_first() -> None:
    bench = healthy_bench()
    for what in ("ends with other kernels", "hot", "half duplex", "no jumbo frames"):
        SPOILED[what][0](bench)
    found = [each.severity for each in findings(bench, [NEED])]
    assert found == sorted(found, key=SEVERITIES.index)
    assert found[0] == "stops"
    assert found[-1] == "differs"


def test_a_powersave_that_follows_the_load_is_no_finding() -> None:
    bench = healthy_bench()
    bench["dome"]["machine_depth"]["policies"][0].update(governor="powersave", driver="intel_pstate")
    assert findings(bench, [NEED]) == []


def test_a_narrow_bus_that_carries_the_link_is_no_finding() -> None:
    bench = healthy_bench()
    for host in bench:
        end(bench, host)["bus_link"].update(best_speed="8.0 GT/s PCIe", best_width=4)
    assert findings(bench, [NEED]) == []


def test_an_interface_that_no_link_uses_is_not_looked_at() -> None:
    bench = healthy_bench()
    bench["dome"]["interfaces"][1].update(carrier=False, operstate="down", duplex="half")
    assert findings(bench, [NEED]) == []


def test_what_a_survey_could_not_read_is_not_held_against_the_host() -> None:
    bench = healthy_bench()
    bench["dome"]["activity"].update(firmware_missing=None, connection_tracking=None)
    bench["dome"]["machine_depth"].update(policies=[], temperature_max_c=None, temperature_limit_c=None, throttles=None)
    for host in bench:
        end(bench, host).update(
            bus_link=None,
            speed_bit_s=None,
            fastest_bit_s=None,
            peer_fastest_bit_s=None,
            interrupts={},
            duplex="unknown",
        )
    assert findings(bench, [NEED]) == []


# --- ceilings


def test_a_ceiling_for_each_direction_and_frame_size_and_its_narrowest_part() -> None:
    bench = healthy_bench()
    end(bench, "hall")["speed_bit_s"] = 10**9
    rows = ceilings(bench, [NEED])
    assert [(row.direction, row.mtu) for row in rows] == [
        ("transmit", 1500),
        ("receive", 1500),
        ("transmit", 9000),
        ("receive", 9000),
    ]
    assert all(row.rate_bit_s == 10**9 for row in rows)
    assert all("hall:eth1" in row.narrowest for row in rows)
    assert all(row.processor == "unknown until measured" for row in rows)
    # common practice with no source: about 940 Mb/s over a healthy gigabit link with 1500-byte frames
    assert rows[0].tcp_bit_s == pytest.approx(941.5e6, rel=0.001)


def test_the_bus_is_the_narrowest_part_where_it_is() -> None:
    """2.5 GT/s x1 carries 2 Gb/s before packet headers (the kernel's PCIE_SPEED2MBS_ENC)."""
    bench = healthy_bench()
    end(bench)["bus_link"] = SLOW_BUS
    row = ceilings(bench, [NEED])[0]
    assert row.narrowest.startswith("the bus of dome:eth1 (2.5 GT/s x1 (2 Gb/s)")
    assert row.rate_bit_s == pytest.approx(wire.pcie_payload_bit_s(2.5, 1, 128))
    assert row.rate_bit_s < 2e9


def test_the_plans_own_rate_counts_and_an_unknown_rate_stays_unknown() -> None:
    bench = healthy_bench()
    need = LinkNeed("uplink", NEED.ends, 100e6)
    row = ceilings(bench, [need])[0]
    assert (row.rate_bit_s, row.mtu) == (100e6, 9000)
    assert "the plan names" in row.narrowest
    for host in bench:
        end(bench, host).update(speed_bit_s=None, bus_link=None)
    unknown = ceilings(bench, [NEED])[0]
    assert unknown.rate_bit_s is unknown.tcp_bit_s is None


# --- what changed


def test_two_surveys_of_the_same_hosts_differ_in_nothing() -> None:
    assert survey_changes(healthy_bench(), healthy_bench()) == []


def test_a_difference_is_one_line() -> None:
    before, now = healthy_bench(), healthy_bench()
    now["dome"]["kernel"] = "6.13.0"
    end(now)["firmware"] = "2"
    end(now)["features"] = ["rx-gro", "rx-checksum", "tx-tcp-segmentation", "rx-lro"]
    now["dome"]["machine_depth"]["policies"][0]["governor"] = "powersave"
    now["hall"]["interfaces"] = [each for each in now["hall"]["interfaces"] if each["name"] != "eth0"]
    assert survey_changes(before, now) == [
        "dome: kernel 6.12.1 -> 6.13.0",
        "dome:policy0: governor performance -> powersave",
        "dome:eth1: firmware 1 -> 2",
        "dome:eth1: tx-udp-segmentation on -> off",
        "dome:eth1: rx-lro off -> on",
        "hall: eth0 is gone",
    ]


def test_what_only_one_survey_has_read_is_no_difference() -> None:
    before, now = healthy_bench(), copy.deepcopy(healthy_bench())
    del now["dome"]["machine_depth"]["policies"]
    del end(now)["features"]
    assert [line for line in survey_changes(before, now) if "policy" not in line] == []


def test_a_kernel_built_again_under_the_same_release_is_a_change_between_surveys() -> None:
    before, now = healthy_bench(), healthy_bench()
    before["dome"]["kernel_identity"] = {"build_id": "aa11", "modules_sha256": "c0"}
    now["dome"]["kernel_identity"] = {"build_id": "bb22", "modules_sha256": "c0"}
    assert survey_changes(before, now) == ["dome: kernel build id aa11 -> bb22"]
