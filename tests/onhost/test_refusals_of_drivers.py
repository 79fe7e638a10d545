"""What kernels and drivers refuse, round or tie together, made so on a host in memory (no card here does all of it)."""

from __future__ import annotations

import errno
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.onhost import ethtool
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import catalogue, queues
from tests.testing.fake_host import INTERFACE, fake_host


def test_a_value_that_the_driver_rounds_is_seen_with_what_it_took() -> None:
    kernel = fake_host()
    kernel.rounding["rx"] = 512
    ring = catalogue(kernel)["receive-ring"]
    ring.apply(INTERFACE, 1000)
    seen = ring.verify(INTERFACE, 1000)
    assert not seen["ok"]
    assert seen["seen"] == {"rx": 1024}
    assert "1024" in seen["why"]


def test_a_ring_above_the_drivers_max_is_impossible_before_anything_is_written() -> None:
    kernel = fake_host()
    ring = catalogue(kernel)["receive-ring"]
    assert ring.check(INTERFACE, 8192) == f"the driver of {INTERFACE} has at most 4096 for rx, not 8192"


def test_fixed_coalescing_switches_the_adaptive_kind_off_which_would_make_it_idle() -> None:
    kernel = fake_host()
    coalescing = catalogue(kernel)["interrupt-coalescing"]
    coalescing.apply(INTERFACE, "rx-usecs=50")
    words = kernel.tables[INTERFACE, ethtool.COALESCING]
    assert (words["rx-usecs"], words["adaptive-rx"], words["adaptive-tx"]) == (50, 0, 1)
    coalescing.apply(INTERFACE, {"rx-usecs": 60, "adaptive-rx": "on"})  # who says so gets both
    assert (words["rx-usecs"], words["adaptive-rx"]) == (60, 1)


@pytest.mark.parametrize("number", [errno.EIO, errno.EPERM, errno.EINVAL])
def test_interrupts_that_cannot_be_moved_make_the_level_impossible_with_the_kernels_answer(number: int) -> None:
    kernel = fake_host()
    kernel.refused_writes["/proc/irq/40/smp_affinity_list"] = number
    with pytest.raises(Refusal, match="cannot be moved on this host: the kernel answered") as refused:
        catalogue(kernel)["interrupt-cores"].apply(INTERFACE, 1)
    assert refused.value.code == "cannot"
    assert refused.value.values["errno"] == number


def test_interrupts_are_spread_one_after_the_other_over_the_cores() -> None:
    kernel = fake_host()
    kernel.interrupts[INTERFACE] = ["40", "41"]
    cores = catalogue(kernel)["interrupt-cores"]
    cores.apply(INTERFACE, "spread")
    assert [kernel.files[f"/proc/irq/{number}/smp_affinity_list"] for number in ("40", "41")] == ["0", "1"]
    kernel.files["/proc/irq/41/smp_affinity_list"] = "0"  # a balancer strikes
    assert not cores.verify(INTERFACE, "spread")["ok"]
    assert "no core 7 online" in cores.check(INTERFACE, 7)


def test_the_order_of_the_two_clock_limits_is_found_in_both_directions() -> None:
    kernel = fake_host()
    known = catalogue(kernel)
    least, greatest = known["min-frequency"], known["max-frequency"]
    before = {"least": least.read(""), "greatest": greatest.read("")}
    greatest.apply("", "1GHz")
    least.apply("", "900MHz")
    greatest.apply("", "850MHz")  # below the least, which has to give way
    assert kernel.files["/sys/devices/system/cpu/cpufreq/policy0/scaling_min_freq"] == "850000"
    assert "above policy0's max" in least.check("", "1.5GHz")
    assert "outside" in greatest.check("", "9GHz")
    least.restore("", before["least"])
    greatest.restore("", before["greatest"])
    assert least.read("") == before["least"]
    assert greatest.read("") == before["greatest"]


def test_highest_may_be_another_clock_for_each_policy() -> None:
    kernel = fake_host()
    least = catalogue(kernel)["min-frequency"]
    least.apply("", "highest")
    assert least.verify("", "highest") == {"ok": True, "seen": {"policy0": 1_600_000, "policy2": 2_000_000}, "why": ""}


def test_a_governor_is_set_for_every_policy_and_verified_on_every_one() -> None:
    kernel = fake_host()
    governor = catalogue(kernel)["governor"]
    governor.apply("", "performance")
    assert governor.verify("", "performance")["ok"]
    kernel.files["/sys/devices/system/cpu/cpufreq/policy2/scaling_governor"] = "powersave"
    seen = governor.verify("", "performance")
    assert not seen["ok"]
    assert seen["seen"] == {"policy0": "performance", "policy2": "powersave"}
    assert "did you mean performance" in governor.check("", "perfomance")
    kernel.files["/sys/devices/system/cpu/cpufreq/policy2/scaling_available_governors"] = "schedutil"
    assert "policy2 has no governor powersave, only schedutil" in governor.check("", "powersave")


def test_a_policy_without_a_core_online_is_left_alone() -> None:
    kernel = fake_host()
    kernel.files["/sys/devices/system/cpu/cpufreq/policy2/affected_cpus"] = ""
    catalogue(kernel)["governor"].apply("", "performance")
    assert kernel.files["/sys/devices/system/cpu/cpufreq/policy2/scaling_governor"] == "schedutil"


def test_boost_is_the_opposite_of_a_switch_that_forbids_it() -> None:
    kernel = fake_host()
    del kernel.files["/sys/devices/system/cpu/cpufreq/boost"]
    kernel.files["/sys/devices/system/cpu/intel_pstate/no_turbo"] = "0"
    boost = catalogue(kernel)["boost"]
    assert boost.read("") is True
    boost.apply("", "off")
    assert kernel.files["/sys/devices/system/cpu/intel_pstate/no_turbo"] == "1"


def test_segmentation_goes_with_the_checksums_and_comes_back_with_them() -> None:
    kernel = fake_host()
    known = catalogue(kernel)
    before = known["checksum-offload"].read(INTERFACE)
    known["checksum-offload"].apply(INTERFACE, "off")
    assert not kernel.features_by_name[INTERFACE]["tx-tcp-segmentation"]["active"]
    assert not known["segmentation-offload"].verify(INTERFACE, "on")["ok"]
    known["checksum-offload"].restore(INTERFACE, before)
    assert known["segmentation-offload"].verify(INTERFACE, "on")["ok"]


def test_a_feature_that_the_driver_fixes_or_the_kernel_does_not_know_is_impossible() -> None:
    known = catalogue(fake_host())
    assert "the driver fixes it" in known["feature.rx-lro"].check(INTERFACE, "on")
    assert known["feature.rx-lro"].check(INTERFACE, "off") == ""  # it is so already
    assert "is it tx-udp-segmentation?" in known["feature.tx-udp-segmentatio"].check(INTERFACE, "on")


@pytest.mark.parametrize(
    ("level", "sentence"),
    [("10Gbit/s", "its fastest is 2500 Mbit/s"), ("forced 5Gbit/s", "its fastest is 2500 Mbit/s")],
)
def test_a_speed_beyond_the_card_is_impossible(level: str, sentence: str) -> None:
    assert sentence in catalogue(fake_host())["speed"].check(INTERFACE, level)


@pytest.mark.parametrize("is_back", [True, False], ids=["link at rest", "link still coming back"])
def test_a_forced_speed_is_judged_when_the_driver_knows_it_again(is_back: bool) -> None:
    kernel = fake_host()
    answers, set_link_settings, link_settings = [], kernel.set_link_settings, kernel.link_settings

    def busy(interface: str, **wish: Any) -> None:
        set_link_settings(interface, **wish)
        answers[:] = [{**(link_settings(interface) or {}), "speed_bit_s": None, "duplex": "unknown"}] * 3

    if not is_back:  # it negotiates for longer than it takes us to set the next level
        answers.extend([{**(link_settings(INTERFACE) or {}), "speed_bit_s": None, "duplex": "unknown"}] * 20)
    kernel.set_link_settings = busy  # type: ignore[method-assign]
    kernel.link_settings = lambda interface: answers.pop() if answers else link_settings(interface)  # type: ignore
    speed = catalogue(kernel)["speed"]
    before = speed.read(INTERFACE)
    speed.apply(INTERFACE, "forced 100Mbit/s half")
    assert speed.verify(INTERFACE, "forced 100Mbit/s half") == {"ok": True, "seen": "forced 100Mbit/s half", "why": ""}
    speed.restore(INTERFACE, before)
    answers.clear()
    assert speed.read(INTERFACE) == before


def test_a_negotiated_speed_offers_only_that_and_keeps_what_is_no_speed() -> None:
    kernel = fake_host()
    speed = catalogue(kernel)["speed"]
    speed.apply(INTERFACE, "1Gbit/s")
    assert kernel.link_settings_by_name[INTERFACE]["advertised"] == [5, 6, 7, 13]
    assert kernel.link_settings_by_name[INTERFACE]["speed_bit_s"] == 10**9
    speed.apply(INTERFACE, "auto")
    assert speed.verify(INTERFACE, "auto")["ok"]
    assert kernel.link_settings_by_name[INTERFACE]["speed_bit_s"] == 2_500_000_000


def test_channels_set_steering_anew_and_it_is_restored() -> None:
    kernel = fake_host()
    channels = catalogue(kernel)["channels"]
    kernel.files[f"/sys/class/net/{INTERFACE}/queues/rx-0/rps_cpus"] = "c"
    before = channels.read(INTERFACE)
    channels.apply(INTERFACE, 4)
    kernel.files[f"/sys/class/net/{INTERFACE}/queues/rx-0/rps_cpus"] = "0"  # as drivers do
    channels.restore(INTERFACE, before)
    assert kernel.files[f"/sys/class/net/{INTERFACE}/queues/rx-0/rps_cpus"] == "c"


def test_interfaces_of_another_namespace_in_sys_are_not_touched() -> None:
    kernel = fake_host()
    kernel.files[f"/sys/class/net/{INTERFACE}/ifindex"] = "99"
    assert "belongs to another namespace" in catalogue(kernel)["receive-steering"].check(INTERFACE, "all")


def test_an_address_in_use_on_the_link_is_not_taken() -> None:
    kernel = fake_host()
    kernel.answering["198.18.0.11"] = "02:00:00:00:00:99"
    with pytest.raises(Refusal, match="in use on the link of eth1, by 02:00:00:00:00:99"):
        catalogue(kernel)["test-address"].apply(INTERFACE, "198.18.0.11/24")
    assert kernel.addresses(2) == []


@given(cores=st.sets(st.integers(0, 300)))
def test_masks_are_read_as_they_are_written(cores: set[int]) -> None:
    text = queues.mask(cores)
    assert queues.cores_of(text) == sorted(cores)
    assert all(len(group) == 8 for group in text.split(",")[1:])


@pytest.mark.parametrize(
    ("cores", "text"),
    [([], "0"), ([0], "1"), ([1], "2"), ([0, 1, 2, 3], "f"), ([32], "1,00000000"), ([0, 35], "8,00000001")],
)
def test_masks_look_as_the_kernel_writes_them(cores: list[int], text: str) -> None:
    """Hexadecimal in groups of 32 bits with commas (Documentation/networking/scaling)."""
    assert queues.mask(cores) == text
